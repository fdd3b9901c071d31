"""The root of the command line: quick to start, status 64 for wrong usage."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec

import pytest
from typer.testing import CliRunner

from api.command import COMMANDS, WRONG_USAGE, main

HEAVY = ("pandas", "fastapi", "pydantic", "pint", "sqlite_utils", "cantera")


def test_help_names_every_command_and_imports_no_other_floor() -> None:
    code = (
        "import sys\n"
        "from typer.testing import CliRunner\n"
        "from api.command import main\n"
        "shown = CliRunner().invoke(main, ['--help']).output\n"
        f"heavy = [m for m in {HEAVY!r} if m in sys.modules]\n"
        f"missing = [c for c in {tuple(COMMANDS)!r} if c not in shown]\n"
        "sys.exit(f'{heavy} {missing}' if heavy or missing else 0)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stderr


@pytest.mark.parametrize("arguments", [["nonsense"], ["--nonsense"], ["judge"], ["judge", "--x"]])
def test_wrong_usage_ends_with_64(arguments: list[str]) -> None:
    assert CliRunner().invoke(main, arguments).exit_code == WRONG_USAGE


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_exists_and_shows_its_help(name: str) -> None:
    assert find_spec(COMMANDS[name][0].partition(":")[0]) is not None
    shown = CliRunner().invoke(main, [name, "--help"])
    assert shown.exit_code == 0
