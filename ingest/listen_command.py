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
from typing import TYPE_CHECKING, Annotated
from uuid import UUID

import typer

from ingest.capture import CaptureError, CaptureWriter, records, replayed
from ingest.listen_options import USAGE, rates_of, rules_of, settings_of, usage
from ingest.listen_screen import Screen, print_summary
from ingest.listening import Listening, NotIntoTheVisit, collector_rests
from ingest.port import CALM, PROMPT, Chunk, Link, PortError, PortSettings, PortSource, ports
from parsers.stream_events import StreamRules

if TYPE_CHECKING:
    from ingest.listen_visit import VisitListening

UNREADABLE = 2


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
    settings = settings_of(baud, bits, parity, stop, flow)
    rules = rules_of(unit or [], headings, decimal, checksum, map_file)
    listed = rates_of(rates)
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
        shown = Screen(heard, as_json)
        stack.enter_context(shown)
        _run(source, heard, shown, seconds)
    if not as_json:
        print_summary(heard, listed)
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
        raise usage("--visit keeps what a port says; hand a kept capture over on its page")
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
    source: Iterable[Chunk | Link], heard: Listening, shown: Screen, seconds: float | None
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


def _list_ports() -> None:
    found = ports()
    if not found:
        typer.echo("No serial port here. Plug the instrument's cable in, or name a socket://.")
    for device, description in found:
        typer.echo(f"{device}  {description}")


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
        raise usage("a port or --replay is needed")
    source = PortSource(port, settings, silent_after=silent_after, gather=gather)
    stack.callback(source.close)
    return source
