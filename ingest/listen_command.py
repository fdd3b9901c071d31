"""The command ``listen``: an analyzer on a serial port, live, kept raw, cut into firing points.

Exit statuses: 0 readings were heard; 2 the port could not be used or nothing readable came; 64
wrong usage.
"""

from __future__ import annotations

import getpass
import signal
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any, get_args
from uuid import UUID

import typer
from rich.console import Console
from rich.live import Live
from rich.table import Table

from combustion.quantities import QUANTITIES
from ingest.capture import CaptureError, CaptureWriter, records, replayed
from ingest.listen_lines import JsonLines, output
from ingest.listening import Listening, NotIntoTheVisit, collector_rests
from ingest.port import CALM, PROMPT, Chunk, Link, PortError, PortSettings, PortSource, ports
from parsers.line_rules import Checksum
from parsers.maps import map_from_json
from parsers.stream_events import StreamRules

if TYPE_CHECKING:
    from ingest.listen_visit import VisitListening

UNREADABLE, USAGE = 2, 64
CAUTION = (
    "Work on a running burner only as its instructions and local codes allow. If anyone feels "
    "unwell or a CO alarm sounds: leave the room, ventilate, then look for the cause."
)
_TRENDS = {"rising": "↑", "falling": "↓", "steady": "→", "unknown": ""}
_REFRESH = 1.0
"""Drawing the table takes some milliseconds: once a second is a share of a core nobody notices."""
_CUT_EVERY = 15.0
_CUT_SHARE = 200.0


def listen(
    port: Annotated[
        str | None,
        typer.Argument(help="Port, socket://host:port or loop://; none lists the ports."),
    ] = None,
    baud: Annotated[int, typer.Option(help="Bits a second.")] = 9600,
    bits: Annotated[int, typer.Option(help="Data bits, 5 to 8.")] = 8,
    parity: Annotated[str, typer.Option(help="none, even, odd, mark or space")] = "none",
    stop: Annotated[float, typer.Option(help="Stop bits: 1, 1.5 or 2.")] = 1,
    flow: Annotated[str, typer.Option(help="none, rtscts, xonxoff or dsrdtr")] = "none",
    save: Annotated[Path | None, typer.Option(help="Keep the raw bytes with times here.")] = None,
    replay: Annotated[Path | None, typer.Option(help="Read a kept capture, no port.")] = None,
    speed: Annotated[
        float, typer.Option(help="Replay this many times as fast; 0 is at once.")
    ] = 0.0,
    response: Annotated[float, typer.Option(help="Response time of the instrument, s.")] = 30.0,
    rates: Annotated[
        str | None, typer.Option(help="Firing rates the boiler is tested at: 20,50,100")
    ] = None,
    unit: Annotated[
        list[str] | None, typer.Option(help="Unit of a quantity: stack_temperature=degC")
    ] = None,
    headings: Annotated[
        str | None, typer.Option(help="Headings, of an instrument that sends none: 'O2 %;CO ppm'")
    ] = None,
    decimal: Annotated[str | None, typer.Option(help="Decimal mark: . or ,")] = None,
    checksum: Annotated[str | None, typer.Option(help="xor8, sum8, crc16 or crc32")] = None,
    map_file: Annotated[Path | None, typer.Option("--map", help="A taught column map.")] = None,
    seconds: Annotated[float | None, typer.Option(help="Stop after this long.")] = None,
    silent_after: Annotated[float, typer.Option(help="Say so after this silence, s.")] = 10.0,
    book: Annotated[
        Path, typer.Option("--book", envvar="FLUEBOOK_BOOK", help="With --visit: its book.")
    ] = Path("fluebook.db"),
    visit: Annotated[
        UUID | None, typer.Option(help="Visit that the capture becomes evidence and a log of.")
    ] = None,
    who: Annotated[str | None, typer.Option(help="With --visit: who; the login name.")] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object a line, as it comes.")
    ] = False,
) -> None:
    """Read an analyzer on a serial port: live values, trend, settled or not, firing points."""
    if port is None and replay is None:
        _list_ports()
        return
    settings = _settings(baud, bits, parity, stop, flow)
    rules = _rules(unit or [], headings, decimal, checksum, map_file)
    listed = _rates(rates)
    into = _into(visit, book, who, save, replay)
    with ExitStack() as stack:
        stack.enter_context(collector_rests())
        try:
            source = _source(
                stack, port, replay, speed, settings, silent_after, PROMPT if as_json else CALM
            )
            keep = None
            if into is not None:
                keep = stack.enter_context(into.writer()).write
            elif save is not None:
                keep = stack.enter_context(CaptureWriter(save)).write
        except (PortError, NotIntoTheVisit) as error:
            typer.echo(str(error), err=True)
            raise typer.Exit(UNREADABLE) from error
        except (CaptureError, OSError) as error:
            typer.echo(str(error), err=True)
            raise typer.Exit(USAGE) from error
        heard = Listening(rules, response, keep, live=not as_json)
        shown = _Shown(heard, as_json)
        stack.enter_context(shown)
        _run(source, heard, shown, seconds)
    _summary(heard, listed, as_json)
    if into is not None and heard.heard:
        _handed_over(into, rules, response)
    if not heard.heard:
        raise typer.Exit(UNREADABLE)


def _into(
    visit: UUID | None, book: Path, who: str | None, save: Path | None, replay: Path | None
) -> VisitListening | None:
    if visit is None:
        return None
    if replay is not None:
        raise _usage("--visit keeps what a port says; hand a kept capture over on its page")
    # The book and what judges are not loaded where one only listens.
    from ingest.listen_visit import visit_listening

    return visit_listening(book, visit, who or getpass.getuser(), save)


def _handed_over(into: VisitListening, rules: StreamRules, response: float) -> None:
    try:
        typer.echo(into.hand_over(rules, response), err=True)
    except NotIntoTheVisit as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNREADABLE) from error


def _run(
    source: Iterable[Chunk | Link], heard: Listening, shown: _Shown, seconds: float | None
) -> None:
    """Take records until the source ends, the time is up or Ctrl-C; nothing read is lost."""
    stopping = False

    def stop(number: int, frame: FrameType | None) -> None:
        nonlocal stopping
        del number, frame
        stopping = True
        if isinstance(source, PortSource):
            source.stop()

    before = signal.signal(signal.SIGINT, stop)
    try:
        until = None if seconds is None else time.monotonic() + seconds
        for record in _ticking(source, until):
            shown.show(heard.take(record), record)
            if stopping and not isinstance(source, PortSource):
                break  # a port still hands over what waits in it
        shown.show(heard.end(), None)
    finally:
        signal.signal(signal.SIGINT, before)


def _ticking(source: Iterable[Chunk | Link], until: float | None) -> Iterable[Chunk | Link]:
    if isinstance(source, PortSource):
        if until is not None:
            import threading

            timer = threading.Timer(max(0.0, until - time.monotonic()), source.stop)
            timer.daemon = True
            timer.start()
        return source  # the timer stops it
    return source if until is None else _up_to(source, until)


def _up_to(source: Iterable[Chunk | Link], until: float) -> Iterator[Chunk | Link]:
    for record in source:
        yield record
        if time.monotonic() > until:
            return


class _Shown:
    """What stands on the screen while listening."""

    def __init__(self, heard: Listening, as_json: bool) -> None:
        self.heard, self.as_json = heard, as_json
        self.console = Console()
        self._lines = JsonLines()
        self._out = output()
        self._live: Live | None = None
        self._drawn = 0.0
        self._points = ""
        self._next_cut = time.monotonic() + _CUT_EVERY

    def __enter__(self) -> _Shown:
        if not self.as_json:
            self.console.print(CAUTION, style="bold")
            if self.console.is_terminal:
                self._live = Live(console=self.console, auto_refresh=False)
                self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.update(self._table(), refresh=True)
            self._live.stop()

    def show(self, events: list[Any], record: Chunk | Link | None) -> None:
        """Show what came; the table is drawn at most once a second."""
        if self.as_json:
            text = self._lines.of(events, record)
            if text:  # what one waking brought goes out in one piece
                self._out(text)
            return
        if isinstance(record, Link):
            words = {"lost": "link lost, waiting for the cable", "back": "link back, going on"}
            text = words.get(record.state, f"silent: {record.note}")
            self.console.print(f"{record.received:%H:%M:%S} {text}")
        if self._live is not None and time.monotonic() - self._drawn > _REFRESH:
            self._drawn = time.monotonic()
            self._look_for_points()
            self._live.update(self._table(), refresh=True)

    def _look_for_points(self) -> None:
        """Cut what was heard so far, now and then, for at most a two-hundredth of the time."""
        began = time.monotonic()
        if began < self._next_cut or not self.heard.heard:
            return
        _, segments = self.heard.cut()
        plateaus = [s for s in segments if s.kind == "plateau"]
        settled = sum(s.settled for s in plateaus)
        self._points = f"; {len(plateaus)} plateaus so far, {settled} settled"
        if segments:
            self._points += f", now: {segments[-1].kind.replace('_', ' ')}"
        took = time.monotonic() - began
        self._next_cut = began + max(_CUT_EVERY, _CUT_SHARE * took)

    def _table(self) -> Table:
        table = Table(caption=_counts(self.heard) + self._points)
        for name in ("quantity", "now", "change", "trend", "settled"):
            table.add_column(name, justify="right" if name in ("now", "change") else "left")
        for key, now in self.heard.now().items():
            quantity = QUANTITIES[key]
            digits = quantity.decimals
            change = "" if now.change is None else f"{now.change:+.{digits + 1}f}"
            word = "yes" if now.settled else "not yet"
            table.add_row(
                quantity.label, quantity.shown(now.value), change, _TRENDS[now.trend], word
            )
        return table


def _counts(heard: Listening) -> str:
    damage = ", ".join(f"{n} {code}" for code, n in sorted(heard.damage_counts().items()))
    return (
        f"{len(heard.heard)} readings, {len(heard.damage)} damaged"
        + (f" ({damage})" if damage else "")
        + f", {heard.bytes} bytes"
    )


def _summary(heard: Listening, rates: tuple[float, ...], as_json: bool) -> None:
    if as_json:
        return
    console = Console()
    console.print(_counts(heard))
    if not heard.heard:
        hints = {d.next_step for d in heard.damage if d.next_step}
        heard_any = "nothing that could be read" if heard.bytes else "no byte"
        console.print(f"{heard_any} came. " + " ".join(sorted(hints)))
        return
    started, segments = heard.cut(rates)
    plateaus = [s for s in segments if s.kind == "plateau"]
    if not plateaus or started is None:
        console.print("No plateau in it: the burner never stayed long enough at one rate to tell.")
        return
    table = Table(title="Firing points proposed", caption="confirm the rates before judging")
    for name in ("from s", "to s", "rate %", "basis", "O2 %", "CO ppm", "stack degC", "settled"):
        table.add_column(name, justify="right")
    for s in plateaus:
        rate = "?" if s.firing_rate is None else f"{s.firing_rate:g}"
        cells = [
            f"{s.values[k].mean:.{QUANTITIES[k].decimals}f}" if k in s.values else ""
            for k in ("o2_dry", "co_dry", "stack_temperature")
        ]
        lacking = [QUANTITIES[k].label for k, v in s.values.items() if not v.settled]
        word = "yes" if not lacking else "not " + ", ".join(lacking)
        table.add_row(
            f"{s.start:.0f}", f"{s.end:.0f}", rate, s.rate_basis or "to be stated", *cells, word
        )
    console.print(table)


def _list_ports() -> None:
    found = ports()
    if not found:
        typer.echo("No serial port here. Plug the instrument's cable in, or name a socket://.")
    for device, description in found:
        typer.echo(f"{device}  {description}")


def _usage(message: str) -> typer.Exit:
    typer.echo(message, err=True)
    return typer.Exit(USAGE)


def _settings(baud: int, bits: int, parity: str, stop: float, flow: str) -> PortSettings:
    if bits not in (5, 6, 7, 8) or parity not in ("none", "even", "odd", "mark", "space"):
        raise _usage("--bits is 5 to 8; --parity none, even, odd, mark or space")
    if stop not in (1, 1.5, 2) or flow not in ("none", "rtscts", "xonxoff", "dsrdtr"):
        raise _usage("--stop is 1, 1.5 or 2; --flow none, rtscts, xonxoff or dsrdtr")
    return PortSettings(baud, bits, parity, stop, flow)  # type: ignore[arg-type]


def _rules(
    units: list[str],
    headings: str | None,
    decimal: str | None,
    checksum: str | None,
    map_file: Path | None,
) -> StreamRules:
    stated: dict[str, str] = {}
    for text in units:
        key, equal, value = text.partition("=")
        if not equal or key not in QUANTITIES:
            raise _usage(f"--unit {text!r}: expected a quantity and its unit, o2_dry=%")
        stated[key] = value
    if decimal not in (None, ".", ","):
        raise _usage("--decimal is . or ,")
    if checksum is not None and checksum not in get_args(Checksum):
        raise _usage(f"--checksum is one of {', '.join(get_args(Checksum))}")
    taught = None
    if map_file is not None:
        try:
            taught = map_from_json(map_file.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise _usage(f"--map {map_file}: {error}") from error
    delimiter = None
    cells: tuple[str, ...] = ()
    if headings is not None:
        delimiter = next((d for d in (";", "\t", "|", ",") if d in headings), ";")
        cells = tuple(c.strip() for c in headings.split(delimiter))
    return StreamRules(
        checksum=checksum,  # type: ignore[arg-type]
        headings=cells,
        delimiter=delimiter,
        decimal=decimal,  # type: ignore[arg-type]
        units=stated,
        map=taught,
    )


def _rates(text: str | None) -> tuple[float, ...]:
    try:
        return tuple(float(p) for p in (text or "").replace(";", ",").split(",") if p.strip())
    except ValueError as error:
        raise _usage(f"--rates {text!r}: expected numbers such as 20,50,100") from error


def _source(
    stack: ExitStack,
    port: str | None,
    replay: Path | None,
    speed: float,
    settings: PortSettings,
    silent_after: float,
    gather: float,
) -> Iterable[Chunk | Link]:
    if replay is not None:
        next(records(replay), None)  # a file that is no capture is said at once
        return replayed(replay, speed or None)
    if port is None:
        raise _usage("a port or --replay is needed")
    source = PortSource(port, settings, silent_after=silent_after, gather=gather)
    stack.callback(source.close)
    return source
