"""The port on a real pseudo-terminal: pulled cables, damage, silence, errors, capture, replay."""

from __future__ import annotations

import errno
import json
import os
import queue
import select
import signal
import socket
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID, uuid4

import pytest
import serial
import typer
from typer.testing import CliRunner

from ingest.capture import HEADER, CaptureError, CaptureWriter, records, replayed
from ingest.intake import Intake
from ingest.listen_command import listen
from ingest.listening import Listening
from ingest.models import Boiler, Visit
from ingest.port import CALM, PROMPT, Chunk, Link, PortError, PortSettings, PortSource, open_port
from ingest.store import Book
from parsers.streams import StreamReader, readings_of
from samples.instrument import Form, Instrument, demo_lines

FAST = PortSettings(baud=115200)
NOW = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)


def heard_from(
    instrument: Instrument,
    heard: Listening,
    during: Callable[[], None] | None = None,
    *,
    until: float = 60.0,
) -> None:
    """Listen until the instrument has said everything, and a moment longer."""
    source = PortSource(instrument.name, FAST)

    def watch() -> None:
        if during is not None:
            during()
        instrument.done.wait(until)
        time.sleep(0.3)
        source.stop()

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        for record in source:
            heard.take(record)
        heard.end()
    finally:
        watcher.join()
        source.close()


def values_of(lines: list[bytes]) -> list[dict[str, float]]:
    """Return what intact lines say, read by a reader that saw the heading."""
    heading = next(line for line, carries in demo_lines() if not carries)
    reader = StreamReader()
    reader.feed(heading)
    return [dict(e.reading.values) for line in lines for e in readings_of(reader.feed(line))]


@pytest.mark.parametrize("lines", [1500, pytest.param(6000, marks=pytest.mark.soak)])
def test_five_pulled_cables_and_one_percent_damage_lose_and_invent_nothing(
    tmp_path: Path, lines: int
) -> None:
    said = (demo_lines(every=0.25))[:lines]
    instrument = Instrument(tmp_path / "port", said, pace=400.0, damage=0.01)
    heard = Listening()

    def pull() -> None:
        for _ in range(5):
            time.sleep(lines / 400.0 / 7)
            instrument.pull()
            time.sleep(0.3)
            instrument.plug()

    with instrument:
        heard_from(instrument, heard, pull)
    assert [x.state for x in heard.links].count("lost") == 5
    assert [x.state for x in heard.links].count("back") == 5
    intact = values_of(instrument.intact)
    sent = values_of([line for line, carries in said if carries])
    got = [dict(r.values) for r in heard.readings]
    order = iter(sent)
    assert all(any(g == s for s in order) for g in got)  # none invented, in order
    rest = iter(got)
    assert all(any(i == g for g in rest) for i in intact)  # every intact line is a reading
    assert len(intact) + len(instrument.damaged) == len(sent)
    only_ends = sum(line[:-2] == hit[:-2] for line, hit in instrument.damaged)
    assert len(got) - len(intact) <= only_ends
    assert len(heard.damage) >= 0.9 * len(instrument.damaged)


@pytest.mark.parametrize("form", ["rows", "pairs", "blocks"])
def test_each_way_of_speaking_is_read(tmp_path: Path, form: Form) -> None:
    lines = demo_lines(form, None)[:210]
    heard = Listening()
    with Instrument(tmp_path / "port", lines, pace=2000.0) as instrument:
        heard_from(instrument, heard)
    assert len(heard.readings) == sum(carries for _, carries in lines)
    assert heard.damage == []
    assert set(heard.readings[-1].values) >= {"o2_dry", "co_dry", "stack_temperature"}


def test_what_was_captured_replays_to_the_same_readings(tmp_path: Path) -> None:
    kept = tmp_path / "a.capture"
    lines = demo_lines()[:150]
    with CaptureWriter(kept) as writer:
        heard = Listening(keep=writer.write)
        with Instrument(tmp_path / "port", lines, pace=1000.0) as instrument:
            heard_from(instrument, heard)
    again = Listening()
    for record in replayed(kept):
        again.take(record)
    again.end()
    assert again.readings == heard.readings
    assert len(again.readings) > 100
    assert again.bytes == heard.bytes == sum(len(line) for line, _ in lines)


def test_what_a_program_throws_away_as_it_opens_was_not_sent_yet(tmp_path: Path) -> None:
    """Opening a port and emptying it are two steps, and a busy machine may stop between them."""
    instrument = Instrument(tmp_path / "port", demo_lines()[:3], pace=1000.0)
    instrument.plug()
    port = os.open(instrument.name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        with instrument:
            time.sleep(0.05)
            termios.tcflush(port, termios.TCIFLUSH)
            assert instrument.done.wait(10.0)
            sent, there = b"".join(line for line, _ in demo_lines()[:3]), b""
            until = time.monotonic() + 10.0
            while len(there) < len(sent) and time.monotonic() < until:
                select.select([port], [], [], 1.0)  # the system may hand it over in parts
                there += os.read(port, 4096)
            assert there == sent
    finally:
        os.close(port)


def test_a_capture_goes_on_where_it_was_and_survives_a_broken_end(tmp_path: Path) -> None:
    kept = tmp_path / "a.capture"
    for data in (b"one\n@ two", b"three"):
        with CaptureWriter(kept) as writer:
            writer.write(Chunk(NOW, data))
            writer.write(Link(NOW, "lost"))
    kept.write_bytes(kept.read_bytes() + b"@ 2026-03-04T09:30:00+00:00 900\nhalf a chu")
    with CaptureWriter(kept) as writer:
        writer.write(Chunk(NOW, b"four"))
    got = [r.data for r in records(kept) if isinstance(r, Chunk)]
    assert got == [b"one\n@ two", b"three", b"four"]


def test_a_file_of_another_kind_is_not_written_into(tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("precious")
    with pytest.raises(CaptureError, match="is no capture"):
        CaptureWriter(other)
    with pytest.raises(CaptureError):
        list(records(other))
    assert other.read_text() == "precious"


def test_raw_bytes_are_kept_before_they_are_read() -> None:
    order: list[str] = []
    heard = Listening(keep=lambda record: order.append("kept"))
    heard.reader.feed = lambda *_: order.append("read") or []  # type: ignore[func-returns-value,method-assign,assignment]
    heard.take(Chunk(NOW, b"x"))
    assert order == ["kept", "read"]


def test_an_absent_port_says_so_and_what_to_try(tmp_path: Path) -> None:
    with pytest.raises(PortError, match="Plug the cable in") as caught:
        open_port(str(tmp_path / "none"))
    assert caught.value.kind == "absent"
    with pytest.raises(PortError, match="nothing answers") as caught:
        open_port("socket://127.0.0.1:9")
    assert caught.value.kind == "absent"


@pytest.mark.parametrize(
    ("name", "kind", "words"),
    [
        ("a file", "absent", "is there, but is no serial port. Look at the name"),
        ("socket://127.0.0.1", "settings", "Write socket://host:port"),
        ("rubbish://x", "settings", "is no address of a port. Name the port, such as"),
    ],
)
def test_what_is_no_port_is_not_called_absent_or_a_wrong_baud_rate(
    tmp_path: Path, name: str, kind: str, words: str
) -> None:
    if name == "a file":
        (tmp_path / "log.csv").write_text("O2 %")
        name = str(tmp_path / "log.csv")
    with pytest.raises(PortError) as caught:
        open_port(name)
    assert (caught.value.kind, words in str(caught.value)) == (kind, True)


def test_a_speed_of_zero_is_refused() -> None:
    with pytest.raises(PortError, match="0 bits a second is no speed"):
        open_port("loop://", PortSettings(baud=0))


def test_a_port_of_others_says_what_right_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_port: object) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    monkeypatch.setattr(serial.Serial, "open", refused)
    with pytest.raises(PortError, match="Ask for the right to use") as caught:
        open_port("/dev/ttyS77")
    assert caught.value.kind == "denied"


def test_a_busy_port_says_so(tmp_path: Path) -> None:
    with Instrument(tmp_path / "port", demo_lines()[:5], pace=1.0) as instrument:
        first = open_port(instrument.name)
        with pytest.raises(PortError, match="in use") as caught:
            open_port(instrument.name)
        first.close()
    assert caught.value.kind == "busy"


def test_a_silent_port_says_so_once(tmp_path: Path) -> None:
    with Instrument(tmp_path / "port", [], pace=1.0) as instrument:
        source = PortSource(instrument.name, silent_after=0.3)
        threading.Timer(1.2, source.stop).start()
        links = list(source)
        source.close()
    assert [x.state for x in links if isinstance(x, Link)] == ["silent"]


def test_a_socket_is_a_port() -> None:
    server = socket.create_server(("127.0.0.1", 0))
    lines = b"".join(line for line, _ in demo_lines()[:60])

    def serve() -> None:
        connection, _ = server.accept()
        time.sleep(0.5)  # opening a port throws away what waits in it
        for at in range(0, len(lines), 100):
            connection.sendall(lines[at : at + 100])
            time.sleep(0.005)
        time.sleep(0.3)
        source.stop()
        time.sleep(0.5)
        connection.close()

    address = server.getsockname()[1]
    thread = threading.Thread(target=serve)
    thread.start()
    source = PortSource(f"socket://127.0.0.1:{address}")
    heard = Listening()
    for record in source:
        heard.take(record)
    thread.join()
    source.close()
    server.close()
    assert heard.bytes == len(lines)
    assert len(heard.readings) == 57


def test_loop_is_a_port() -> None:
    source = PortSource("loop://")
    source._port.write(b"O2 %;CO ppm\r\n5.1;12\r\n")
    threading.Timer(0.4, source.stop).start()
    heard = Listening()
    for record in source:
        heard.take(record)
    source.close()
    assert [dict(r.values) for r in heard.readings] == [{"o2_dry": 5.1, "co_dry": 12.0}]


app = typer.Typer()
app.command()(listen)
runner = CliRunner()


def test_command_lists_ports_without_an_argument() -> None:
    result = runner.invoke(app, [])
    assert result.exit_code == 0
    assert result.output.strip()


def test_command_replays_a_visit_and_proposes_its_firing_points(tmp_path: Path) -> None:
    kept = tmp_path / "visit.capture"
    with CaptureWriter(kept) as writer:
        for n, (line, _) in enumerate(demo_lines(checksum=None)):
            writer.write(Chunk(datetime.fromtimestamp(NOW.timestamp() + n, UTC), line))
    result = runner.invoke(
        app, ["--replay", str(kept), "--rates", "20,40,60,80,100"], env={"COLUMNS": "160"}
    )
    assert result.exit_code == 0, result.output
    assert "CO alarm" in result.output
    assert result.output.count("proposed") >= 8
    assert "confirm the rates" in result.output


def test_command_json_gives_one_object_a_line(tmp_path: Path) -> None:
    kept = tmp_path / "a.capture"
    with CaptureWriter(kept) as writer:
        writer.write(Chunk(NOW, b"O2 %;CO ppm\r\n5.1;12\r\n5.x;1\r\n"))
    result = runner.invoke(app, ["--replay", str(kept), "--json"])
    first, second = [json.loads(line) for line in result.output.splitlines()]
    assert first["values"] == {"o2_dry": 5.1, "co_dry": 12.0}
    assert second["damage"] == "not_a_number"


@pytest.mark.parametrize(
    ("given", "status", "words"),
    [
        (["/no/such/port"], 2, "there is no port"),
        (["loop://", "--bits", "9"], 64, "--bits is 5 to 8"),
        (["loop://", "--unit", "spam=%"], 64, "expected a quantity"),
        (["loop://", "--seconds", "0.3", "--silent-after", "0.1"], 2, "no byte came"),
        (["loop://", "--rates", "low"], 64, "expected numbers"),
    ],
)
def test_command_says_what_is_wrong(given: list[str], status: int, words: str) -> None:
    result = runner.invoke(app, given)
    assert result.exit_code == status
    assert words in result.output


def opened_visit(book: Path) -> UUID:
    with Book(book, durable=False) as one:
        intake = Intake(one)
        boiler = intake.put_boiler(Boiler(name="Test boiler", rates=[20.0, 100.0]), "T").document
        return intake.put_visit(Visit(boiler_id=boiler.id, started=NOW), "T").document.id


def test_listening_into_a_visit_makes_the_capture_its_evidence_and_its_log(tmp_path: Path) -> None:
    kept = tmp_path / "demo.db"
    visit = opened_visit(kept)
    said = b"".join(line for line, _ in demo_lines()[:120])
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = server.accept()
        time.sleep(0.5)
        for at in range(0, len(said), 200):
            connection.sendall(said[at : at + 200])
            time.sleep(0.02)
        time.sleep(3)
        connection.close()

    thread = threading.Thread(target=serve)
    thread.start()
    where = ["--book", str(kept), "--visit", str(visit), "--who", "T. One", "--seconds", "2.5"]
    result = runner.invoke(app, [f"socket://127.0.0.1:{server.getsockname()[1]}", *where])
    thread.join()
    server.close()
    assert result.exit_code == 0, result.output
    assert "nothing of it is judged before its cut is taken" in " ".join(result.output.split())
    assert list(tmp_path.glob("*.capture")) == []  # it is in the book now
    with Book(kept, durable=False) as book:
        intake = Intake(book)
        ((log, taken),) = intake.logs(visit).items()
        cut = intake.log_cut(visit, log)
        data = intake.evidence(cut.attachment.sha256)
        assert book.verify() == []
    assert not taken
    assert cut.log.count == sum(carries for _, carries in demo_lines()[:120])
    assert data.startswith(HEADER)
    again = tmp_path / "again.capture"
    again.write_bytes(data)
    assert b"".join(r.data for r in records(again) if isinstance(r, Chunk)) == said


@pytest.mark.parametrize(
    ("where", "words"),
    [("absent.db", "there is no book"), ("demo.db", "no visit")],
)
def test_listening_into_no_visit_says_so_before_it_listens(
    tmp_path: Path, where: str, words: str
) -> None:
    opened_visit(tmp_path / "demo.db")
    given = ["loop://", "--book", str(tmp_path / where), "--visit", str(uuid4())]
    result = runner.invoke(app, given)
    assert result.exit_code == 2
    assert words in result.output
    assert list(tmp_path.glob("*.capture")) == []


def test_control_c_loses_nothing(tmp_path: Path) -> None:
    kept = tmp_path / "a.capture"
    script = "import sys; from tests.ingest.test_port import app; app(sys.argv[1:])"
    lines = demo_lines()
    with Instrument(tmp_path / "port", lines, pace=200.0) as instrument:
        process = subprocess.Popen(
            [sys.executable, "-c", script, instrument.name, "--save", str(kept)],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=Path(__file__).parents[2],
        )  # fmt: skip
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline and not (kept.exists() and kept.stat().st_size > 9000):
            time.sleep(0.1)
        os.kill(process.pid, signal.SIGINT)
        out, _ = process.communicate(timeout=30)
    assert process.returncode == 0, out
    assert kept.read_bytes().startswith(HEADER)
    heard = Listening()
    for record in records(kept):
        heard.take(record)
    heard.end()
    assert f"{len(heard.readings)} readings" in out.decode()
    assert len(heard.readings) > 50


@pytest.mark.parametrize(("gather", "most"), [(PROMPT, 1.0), (CALM, 0.25)])
def test_dense_bytes_are_taken_in_fewer_pieces_where_a_screen_is_all_that_waits(
    gather: float, most: float
) -> None:
    master, slave = os.openpty()
    source = PortSource(os.ttyname(slave), FAST, gather=gather)
    said = b"O2 %;CO ppm\r\n" + b"5.1;12\r\n" * 2000

    def speak() -> None:
        for at in range(0, len(said), 32):
            os.write(master, said[at : at + 32])
            time.sleep(0.002)
        time.sleep(0.2)
        source.stop()

    speaker = threading.Thread(target=speak)
    speaker.start()
    pieces = [r.data for r in source if isinstance(r, Chunk)]
    speaker.join()
    source.close()
    os.close(master)
    os.close(slave)
    assert b"".join(pieces) == said  # whatever the pause, nothing is lost
    assert len(pieces) <= most * len(said) / 32
    if gather == PROMPT:
        assert len(pieces) > 0.25 * len(said) / 32


def test_a_line_now_and_then_is_taken_at_once_whatever_the_pause() -> None:
    """Held against a bare read of another terminal: what a busy machine takes, it takes of both."""
    (master, slave), (bare_master, bare_slave) = os.openpty(), os.openpty()
    source = PortSource(os.ttyname(slave), FAST, gather=CALM)
    line, lines = b"5.1;12\r\n", 25
    tty.setraw(bare_slave)
    taken: queue.SimpleQueue[float] = queue.SimpleQueue()
    waits: dict[int, list[float]] = {master: [], bare_master: []}

    def bare() -> None:
        for _ in range(lines):
            os.read(bare_slave, 4096)
            taken.put(time.perf_counter())

    def speak() -> None:
        for _ in range(lines):
            for to, kept in waits.items():
                time.sleep(0.03)
                sent = time.perf_counter()
                os.write(to, line)
                kept.append(taken.get(timeout=20) - sent)
        source.stop()

    threads = [threading.Thread(target=work) for work in (bare, speak)]
    for thread in threads:
        thread.start()
    pieces = []
    for record in source:
        if isinstance(record, Chunk):
            taken.put(time.perf_counter())
            pieces.append(record.data)
    for thread in threads:
        thread.join()
    source.close()
    for end in (master, slave, bare_master, bare_slave):
        os.close(end)
    assert pieces == [line] * lines
    middle, floor = (sorted(kept)[lines // 2] for kept in waits.values())
    assert middle < floor + CALM / 4


def test_a_record_that_the_system_takes_in_pieces_is_kept_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, whole = tmp_path / "a.capture", os.write
    with CaptureWriter(path) as writer:
        monkeypatch.setattr("ingest.capture.os.write", lambda fd, data: whole(fd, data[:7]))
        writer.write(Chunk(NOW, b"5.1;12\r\n"))
        writer.write(Link(NOW, "lost"))
    assert list(records(path)) == [Chunk(NOW, b"5.1;12\r\n"), Link(NOW, "lost")]
