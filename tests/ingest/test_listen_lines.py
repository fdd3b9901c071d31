"""Lines of JSON by a form are what a JSON library writes; pauses keep to the beat of lines."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from ingest.listen_lines import JsonLines, line_of_reading
from ingest.port import PROMPT, PortSettings
from ingest.port_beat import Beat
from parsers.stream_events import StreamRules
from parsers.streams import StreamReader, readings_of

NOW = datetime(2026, 3, 4, 9, 30, 0, 250_000, tzinfo=UTC)
STREAMS = {
    "plain rows": b"O2 %;CO ppm;Stack C\r\n5.1;12;180\r\n-0.0;13;181.25\r\n",
    "a unit that is not stated": b"O2 %;CO ppm;Stack 100%\r\n5.1;12;180\r\n",
    "a heading that changes": b"O2 %;CO ppm\n5.1;12\nNO ppm;O2 %;Stack C\n3;5.2;180\n",
    "times of its own": b"Time;O2 %;CO ppm\n2026-03-04T09:00:00;5.1;12\n"
    b"2026-03-04T09:00:01;5.2;13\n",
    "a cell without a value": b"O2 %;CO ppm\n5.1;---\n5.2;14\n",
}


@pytest.mark.parametrize("data", STREAMS.values(), ids=STREAMS)
@pytest.mark.parametrize("received", [NOW, None], ids=["timed", "no clock"])
def test_a_row_by_its_form_is_what_a_json_library_writes(
    data: bytes, received: datetime | None
) -> None:
    events = StreamReader().feed(data, received)
    by_form = JsonLines().of(events, None)
    readings = [one.reading for one in readings_of(events)]
    assert len(readings) >= 1
    assert by_form == "".join(map(line_of_reading, readings))
    assert [json.loads(line)["values"] for line in by_form.splitlines()] == [
        dict(r.values) for r in readings
    ]


def test_a_form_holds_what_an_unread_column_is_called() -> None:
    rules = StreamRules(headings=("O2 %", "CO ppm", "Stack 50%s"))
    events = StreamReader(rules).feed(b"5.1;12;180\r\n", NOW)
    assert JsonLines().of(events, None) == "".join(
        line_of_reading(one.reading) for one in readings_of(events)
    )


def waits(lengths: list[int], seconds: float = 1.0) -> tuple[list[float], int]:
    """Return how long each line of a gapless stream waited [s], and the wakings; no real time."""
    byte = PortSettings(baud=115200).byte_time
    stream = b"".join(b"x" * (n - 1) + b"\n" for n in lengths)
    beat, now, read, woken, out = Beat(byte, PROMPT), 0.0, 0, 0, []
    pause = PROMPT
    while now < seconds and read < len(stream):
        now, woken = now + pause, woken + 1
        until = min(int(now / byte), len(stream))
        piece = stream[read:until]
        out += [now - (read + at + 1) * byte for at, c in enumerate(piece) if c == 10]
        read = until
        pause = beat.pause(piece, pause)
    return out, woken


def test_no_line_of_a_gapless_stream_waits_longer_than_allowed() -> None:
    for lengths in ([36] * 320, [20, 36] * 200, [100] * 115, [34, 35, 36, 37, 38] * 64):
        waited, _ = waits(lengths)
        assert len(waited) > 90
        assert max(waited) < 0.005


def test_wakings_follow_the_lines_where_they_are_long_or_two_fit() -> None:
    assert waits([36] * 320)[1] < 170  # against 222 at a fixed pause
    assert waits([100] * 115)[1] < 125


def test_a_baud_rate_that_nothing_keeps_to_foretells_nothing() -> None:
    beat = Beat(PortSettings(baud=9600).byte_time, PROMPT)
    for _ in range(5):
        assert beat.pause(b"x" * 35 + b"\n" + b"x" * 7, 0.0045) == PROMPT
