"""The root of the command line: one line of help for each command, each loaded when it is called.

``fluebook --help`` and ``fluebook read`` must start at once, so nothing of the other floors is
imported before its command is chosen. Wrong usage ends with status 64 (``EX_USAGE`` of BSD's
sysexits), which leaves 1, 2 and 3 to the findings of ``fluebook judge``.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperGroup

if TYPE_CHECKING:
    from typer._click.core import Command, Context

WRONG_USAGE = 64

# typer's own class of wrong usage: its home moved between versions, its child's parent did not.
UsageError = typer.BadParameter.__mro__[1]

COMMANDS: dict[str, tuple[str, str]] = {
    "read": ("ingest.read_command:read", "Read an analyzer file and show what was understood."),
    "judge": ("ingest.judge_command:judge", "Judge a file, a visit or a folder of visits."),
    "explain": ("ingest.judge_command:explain", "Explain a rule, or list them all."),
    "compute": ("ingest.compute_command:compute", "Add computed columns to a table of readings."),
    "maps": ("ingest.read_command:maps", "Teach, list and show column maps."),
    "plans": ("ingest.plans_command:plans", "Check service plans, bring them into a book, list."),
    "import": ("ingest.book_commands:bring", "Bring a site list or past visits into a book."),
    "listen": ("ingest.listen_command:listen", "Read an analyzer on a serial port."),
    "instrument": ("samples.instrument:instrument", "Simulate an instrument on a port of its own."),
    "due": ("api.due_command:due", "List what is due until a month, and parts to pick."),
    "report": ("api.report_command:report", "Write the report of a visit as PDF or HTML."),
    "visit": ("api.visit_command:visit", "Bring a filled visit folder into a book; hand it in."),
    "export": ("ingest.export_command:export", "Write readings, points or visits to a file."),
    "layouts": ("ingest.export_command:layouts", "Save a layout of tables, or list them."),
    "verify": ("ingest.book_commands:verify", "Check a book's audit trail and its evidence."),
    "backup": ("ingest.book_commands:backup", "Copy a book, also while a server writes it."),
    "rekey": ("ingest.book_commands:rekey", "Seal the webhooks' secrets with a new key."),
    "restore": ("ingest.book_commands:restore", "Make a book of a backup, after checking it."),
    "deliver": ("api.deliver_command:deliver", "Deliver webhooks and mail that wait; replay."),
    "send": ("api.field_commands:send", "Send your own book's visits to the office."),
    "fetch": ("api.field_commands:fetch", "Fetch boilers, history and decisions from it."),
    "demo": ("api.demo:demo", "Make the invented cooperative's book and show it."),
    "serve": ("api.serve:serve", "Serve a book's pages and API."),
}
"""Name of the command -> where it lives, and its line in the help."""


def _loaded(name: str) -> Command:
    module, _, attribute = COMMANDS[name][0].partition(":")
    found: Any = getattr(import_module(module), attribute)
    if isinstance(found, typer.Typer):
        return typer.main.get_command(found)
    own = typer.Typer(add_completion=False)
    own.command(name, help=None)(found)
    return typer.main.get_command(own)


class _Root(TyperGroup):
    """A group whose commands are known by name and line of help until one is called."""

    def list_commands(self, ctx: Context) -> list[str]:
        return list(self.commands)

    def resolve_command(
        self, ctx: Context, args: list[str]
    ) -> tuple[str | None, Command | None, list[str]]:
        name, command, rest = super().resolve_command(ctx, args)
        return name, _loaded(name) if name in COMMANDS else command, rest

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        try:
            return super().main(
                args, prog_name, complete_var, standalone_mode, windows_expand_args, **extra
            )
        except SystemExit as end:
            # The command line's own parser says 2, which here means "could not be read".
            if isinstance(end.__context__, UsageError):
                sys.exit(WRONG_USAGE)
            raise


main = typer.Typer(
    name="fluebook",
    cls=_Root,
    help="Combustion readings and service visits of commercial boilers.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


@main.callback()
def _root() -> None:
    """Combustion readings and service visits of commercial boilers: read, computed, judged."""


def _placeholder() -> None:
    """Stand in the list of commands until the real one is loaded."""


for _name, (_where, _help) in COMMANDS.items():
    main.command(_name, help=_help)(_placeholder)
