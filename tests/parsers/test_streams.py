"""Every stream case is fed whole, byte by byte and with trailing rubbish; nothing is invented."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import get_args

import pytest

from parsers.line_rules import Checksum
from parsers.stream_events import (
    Event,
    PlainRow,
    StreamDamage,
    StreamHeading,
    StreamReading,
    StreamRules,
)
from parsers.stream_lines import checksum, labelled, pairs_of, salvaged, with_checksum
from parsers.stream_table import Table
from parsers.streams import StreamReader, readings_of
from samples.instrument import Form, demo_lines


@dataclass(frozen=True)
class Case:
    """Bytes, and the values of each reading in them."""

    data: bytes
    values: list[dict[str, float]]
    damage: list[str] = field(default_factory=list)
    rules: StreamRules = field(default_factory=StreamRules)


A = {"o2_dry": 5.1, "co_dry": 12.0, "stack_temperature": 180.0}
B = {"o2_dry": 5.2, "co_dry": 13.0, "stack_temperature": 181.0}
HEAD = b"O2 %;CO ppm;Stack C\r\n"

CASES = {
    "rows under a heading": Case(HEAD + b"5.1;12;180\r\n5.2;13;181\r\n", [A, B]),
    "line feeds alone": Case(b"O2 %,CO ppm,Stack C\n5.1,12,180\n5.2,13,181\n", [A, B]),
    "carriage returns alone": Case(b"O2 %\tCO ppm\tStack C\r5.1\t12\t180\r", [A]),
    "a row of units": Case(b"O2;CO;Stack\r\n%;ppm;degF\r\n5.1;12;356\r\n", [A]),
    "fahrenheit becomes celsius": Case(b"O2 %;CO ppm;Stack F\r\n5.1;12;356\r\n", [A]),
    "decimal comma": Case(b"O2 %;CO ppm;Stack C\r\n5,1;12;180,0\r\n5,2;13;181\r\n", [A, B]),
    "a time of day is no quantity": Case(
        b"Time;O2 %;CO ppm;Stack C\n12:30:01;5.1;12;180\n", [A]
    ),
    "wide spaces": Case(b"O2 %    CO ppm   Stack C\n5.1     12       180\n", [A]),
    "repeated heading": Case(HEAD + b"5.1;12;180\r\n" + HEAD + b"5.2;13;181\r\n", [A, B]),
    "banner, then heading": Case(b"READY\r\nself test ok\r\n\r\n" + HEAD + b"5.1;12;180\r\n", [A]),
    "reset in the middle": Case(
        HEAD + b"5.1;12;180\r\n5.2;1\x00READY\r\n" + HEAD + b"5.2;13;181\r\n", [A, B], ["not_text"]
    ),
    "a missing cell names its reason": Case(
        HEAD + b"5.1;---;180\r\n", [{"o2_dry": 5.1, "stack_temperature": 180.0}]
    ),
    "a row with a cell too few": Case(HEAD + b"5.1;12\r\n5.2;13;181\r\n", [B], ["cells"]),
    "a letter among digits": Case(HEAD + b"5.x;12;180\r\n5.2;13;181\r\n", [B], ["not_a_number"]),
    "an impossible value": Case(HEAD + b"51;12;180\r\n5.2;13;181\r\n", [B], ["implausible"]),
    "a heading that was hit": Case(
        HEAD + b"O2 %;NO ppm;Stack C\r\n5.1;12;180\r\n", [A], ["heading_damaged"]
    ),
    "numbers without heading": Case(b"5.1;12;180\r\n", [], ["no_heading"]),
    "stated headings": Case(
        b"5.1;12;180\r\n", [A], rules=StreamRules(headings=("O2 %", "CO ppm", "Stack C"))
    ),
    "temperature without unit is not read": Case(
        b"O2 %;CO ppm;Stack\r\n5.1;12;180\r\n", [{"o2_dry": 5.1, "co_dry": 12.0}]
    ),
    "a stated unit": Case(
        b"O2 %;CO ppm;Stack\r\n5.1;12;180\r\n",
        [A],
        rules=StreamRules(units={"stack_temperature": "degC"}),
    ),
    "pairs": Case(b"O2=5.1%;CO=12ppm;Stack=180C\r\nO2=5.2%;CO=13ppm;Stack=181C\r\n", [A, B]),
    "pairs with spaces": Case(b"O2=5.1% CO=12ppm Tstack=180C\n", [A]),
    "pairs with a bad key": Case(
        b"O2=5.1%;CO=12ppm;Stack=180C\n02=5.2%;CO=13ppm;Stack=181C\n", [A], ["keys"]
    ),
    "pairs with a bad value": Case(b"O2=5.1%;CO=1;2ppm;Stack=180C\nO2=5.1%;CO=12 ppm;Stack=180C\n",
                                   [A], ["no_heading"]),
    "pairs without a unit": Case(b"O2=5.1;CO=12;Stack=180\n", [], ["units_missing"]),
    "printed blocks": Case(
        b"MEASUREMENT\n\nO2 ........ 5.1 %\nCO ........ 12 ppm\nStack .... 180 C\n\n"
        b"O2 ........ 5.2 %\nCO ........ 13 ppm\nStack .... 181 C\n\n",
        [A, B],
    ),
    "printed blocks that touch": Case(
        b"O2: 5.1 %\nCO: 12 ppm\nStack: 356 F\nO2: 5.2 %\nCO: 13 ppm\nStack: 181 C\n-----\n", [A, B]
    ),
    "checksums": Case(
        b"".join(
            with_checksum("crc16", x) + b"\r\n"
            for x in (HEAD.strip(), b"5.1;12;180", b"5.2;13;181")
        ),
        [A, B],
    ),
    "a digit hit under a checksum": Case(
        with_checksum("crc16", HEAD.strip()) + b"\r\n"
        + with_checksum("crc16", b"5.1;12;180").replace(b"12", b"72") + b"\r\n"
        + with_checksum("crc16", b"5.2;13;181") + b"\r\n",
        [B], ["checksum"],
    ),
    "two lines whose end was lost": Case(
        with_checksum("crc32", HEAD.strip()) + b"\r\n"
        + with_checksum("crc32", b"5.1;12;180") + b"\x91\x92"
        + with_checksum("crc32", b"5.2;13;181") + b"\r\n",
        [A, B], ["checksum"],
    ),
    "rows proven whole wait for their heading": Case(
        b"".join(
            with_checksum("crc32", x) + b"\r\n" for x in (b"5.1;12;180", HEAD.strip())
        ),
        [A],
    ),
    "even parity left in the bytes": Case(
        bytes(b | 0x80 if b.bit_count() % 2 else b for b in HEAD.strip() + b"\n5.1;12;180\n")
        .replace(b"\x8a", b"\n"),
        [A],
        rules=StreamRules(parity_bit="even", line_end=b"\n"),
    ),
}  # fmt: skip


def whole(case: Case) -> list[Event]:
    reader = StreamReader(case.rules)
    return reader.feed(case.data) + reader.close()


def byte_by_byte(case: Case) -> list[Event]:
    reader = StreamReader(case.rules)
    events: list[Event] = []
    for n in range(len(case.data)):
        events += reader.feed(case.data[n : n + 1])
    return events + reader.close()


def trailing_rubbish(case: Case) -> list[Event]:
    reader = StreamReader(case.rules)
    return reader.feed(case.data + b"\xff\xfe\x00\x80rubb") + reader.close()


@pytest.mark.parametrize("fed", [whole, byte_by_byte, trailing_rubbish], ids=lambda f: f.__name__)
@pytest.mark.parametrize("name", CASES)
def test_case(name: str, fed: Callable[[Case], list[Event]]) -> None:
    case = CASES[name]
    events = fed(case)
    got = [dict(e.reading.values) for e in readings_of(events)]
    assert [{k: round(v, 6) for k, v in g.items()} for g in got] == case.values
    damage = [e.code for e in events if isinstance(e, StreamDamage)]
    extra = ["half_line"] if fed is trailing_rubbish else []
    assert damage == case.damage + extra


@pytest.mark.parametrize("name", CASES)
def test_events_are_the_same_however_the_bytes_are_cut(name: str) -> None:
    rng = random.Random(5)
    case = CASES[name]
    for _ in range(5):
        reader, events, at = StreamReader(case.rules), [], 0
        while at < len(case.data):
            step = rng.randint(1, 9)
            events += reader.feed(case.data[at : at + step])
            at += step
        assert events + reader.close() == whole(case)


@pytest.mark.parametrize("kind", ["crc16", "crc32"])
def test_one_percent_of_bytes_corrupted_invents_nothing_and_loses_no_intact_line(
    kind: Checksum,
) -> None:
    rng = random.Random(11)
    sent: list[tuple[bytes, dict[str, float]]] = []
    stream = bytearray()
    intact = []
    for n in range(4000):
        if n % 20 == 0:
            line, values = HEAD.strip(), None
        else:
            o2, co, t = rng.randint(10, 80), rng.randint(0, 200), rng.randint(500, 2200)
            line = b"%d.%d;%d;%d.%d" % (o2 // 10, o2 % 10, co, t // 10, t % 10)
            values = {"o2_dry": o2 / 10, "co_dry": float(co), "stack_temperature": t / 10}
        whole_line = with_checksum(kind, line) + b"\r\n"
        hit = bytearray(whole_line)
        for i in range(len(hit)):
            if rng.random() < 0.01:
                hit[i] = rng.randrange(256)
        if values is not None:
            sent.append((line, values))
            if hit == whole_line:
                intact.append(values)
        stream += hit
    reader = StreamReader()
    events: list[Event] = []
    for at in range(0, len(stream), 37):
        events += reader.feed(bytes(stream[at : at + 37]))
    events += reader.close()
    got = [dict(e.reading.values) for e in readings_of(events)]
    possible = iter(v for _, v in sent)
    assert all(any(g == p for p in possible) for g in got)  # in order, each one was really sent
    rest = iter(got)
    assert all(any(v == g for g in rest) for v in intact)
    assert sum(isinstance(e, StreamDamage) for e in events) > 200


@pytest.mark.parametrize("kind", [None, "xor8", "crc32"])
@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r"])
def test_many_rows_at_once_give_what_single_lines_give(
    kind: Checksum | None, end: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = random.Random(4)
    lines = [b"O2 %;CO ppm;Stack C"]
    lines += [b"%.1f;%d;%.1f" % (4 + n % 7 / 10, n % 40, 150 + n % 9) for n in range(600)]
    lines[300:300] = [b"O2 %;CO ppm;Stack C", b"", b"READY", b"99;1;2", b" 5.1 ;+3; -4.0 "]
    sent = [with_checksum(kind, line) if kind else line for line in lines]
    data = bytes(rng.randrange(256) if rng.random() < 0.002 else b for b in end.join(sent) + end)
    pieces, at = [], 0
    while at < len(data):
        length = rng.choice((1, 7, 60, 200))
        pieces.append(data[at : at + length])
        at += length
    together, singly = StreamReader(), StreamReader()
    fast = [e for piece in pieces for e in together.feed(piece)] + together.close()
    monkeypatch.setattr(Table, "plain_rows", lambda *_: (0, []))
    slow = [e for piece in pieces for e in singly.feed(piece)] + singly.close()
    assert fast == slow
    assert len(readings_of(fast)) > 400


def spoken(form: Form, kind: Checksum | None) -> bytes:
    """Return what the simulated instrument says, a byte in three hundred hit."""
    rng = random.Random(8)
    data = b"".join(line for line, _ in demo_lines(form, kind)[:900])
    return bytes(rng.randrange(256) if rng.random() < 0.003 else b for b in data)


CORPUS = {name: (case.data, case.rules) for name, case in CASES.items()} | {
    f"demo {form} {kind}": (spoken(form, kind), StreamRules())
    for form in get_args(Form)
    for kind in (None, "xor8", "crc32")
}


@pytest.mark.parametrize("name", CORPUS)
def test_the_fast_way_gives_what_a_close_look_at_each_line_gives(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, rules = CORPUS[name]
    at = datetime(2026, 3, 4, 9, 30, 0, 250_000, tzinfo=UTC)
    pieces = [data[n : n + 90] for n in range(0, len(data), 90)]
    quick, close = StreamReader(rules), StreamReader(rules)
    fast = [e for piece in pieces for e in quick.feed(piece, at)] + quick.close()
    monkeypatch.setattr(Table, "plain_rows", lambda *_: (0, []))
    monkeypatch.setattr(Table, "plain", lambda *_: None)
    slow = [e for piece in pieces for e in close.feed(piece, at)] + close.close()
    assert fast == slow
    # 0.0 and -0.0 are equal and written differently.
    assert [repr(dict(e.reading.values)) for e in readings_of(fast)] == [
        repr(dict(e.reading.values)) for e in readings_of(slow)
    ]


def test_rows_are_read_by_plain_numbers_not_by_the_close_look() -> None:
    """Without this the test above could pass with no fast way at all."""
    reader = StreamReader()
    events = reader.feed(spoken("rows", "crc32"))
    plain = [type(e.kept) is PlainRow for e in readings_of(events)]
    assert sum(plain) > 500
    assert sum(plain) > 0.98 * len(plain)


def test_numbers_remembered_of_a_column_are_bounded_and_stay_right() -> None:
    reader = StreamReader()
    reader.feed(HEAD)
    said = [n / 100 for n in range(9_000)] + [n / 100 for n in range(300)]
    for begin in range(0, len(said), 50):
        rows = b"".join(b"5.1;12;%.2f\r\n" % n for n in said[begin : begin + 50])
        got = [e.reading.values["stack_temperature"] for e in readings_of(reader.feed(rows))]
        assert got == said[begin : begin + 50]
    assert reader._table is not None
    assert max(map(len, reader._table._numbers)) <= 4096


def test_an_implausible_number_is_refused_as_often_as_it_comes() -> None:
    reader = StreamReader()
    events = reader.feed(HEAD + b"5.1;12;180\r\n99.9;12;180\r\n" * 3)
    assert [type(e) for e in events[1:]] == [StreamReading, StreamDamage] * 3


def test_a_heading_hit_where_its_checksum_stands_is_found_out() -> None:
    reader, head = StreamReader(), with_checksum("crc32", b"O2 %;CO ppm;Draft Pa")
    reader.feed(head.replace(b"*", b"x") + b"\r\n")
    row = with_checksum("crc32", b"5.1;12;-3.0") + b"\r\n"
    (damage,) = reader.feed(row)
    assert isinstance(damage, StreamDamage)
    assert (damage.code, damage.line) == ("checksum", 1)
    readings = readings_of(reader.feed(head + b"\r\n" + row))
    assert [dict(e.reading.values) for e in readings] == [
        {"o2_dry": 5.1, "co_dry": 12.0, "stack_draft": -3.0}
    ] * 2


def test_every_byte_is_in_an_event() -> None:
    data = CASES["reset in the middle"].data + b"half"
    reader = StreamReader()
    events = reader.feed(data) + reader.close()
    raw = b"".join(e.raw for e in events)
    assert raw == data.replace(b"\r\n", b"")


def test_wrong_baud_rubbish_is_damage_with_the_hint_what_to_look_at() -> None:
    rng = random.Random(1)
    reader = StreamReader()
    events = reader.feed(bytes(rng.randrange(128, 256) for _ in range(9000)))
    assert readings_of(events) == []
    assert {e.code for e in events if isinstance(e, StreamDamage)} == {"no_line_end"}
    assert all("baud" in e.next_step for e in events if isinstance(e, StreamDamage))


def test_a_heading_sent_twice_in_its_new_form_is_a_change() -> None:
    reader = StreamReader()
    fresh = b"O2 %;NO ppm;Stack C\r\n"
    events = reader.feed(HEAD + b"5.1;12;180\r\n" + fresh + fresh + b"5.1;40;180\r\n")
    assert "no_dry" in readings_of(events)[-1].reading.values
    assert sum(isinstance(e, StreamHeading) for e in events) == 2


def test_a_pulled_cable_gives_the_half_line_and_keeps_the_heading() -> None:
    reader = StreamReader()
    reader.feed(HEAD + b"5.1;12;1")
    broken = reader.interrupted()
    assert [(type(e), e.raw) for e in broken] == [(StreamDamage, b"5.1;12;1")]
    again = reader.feed(b"5.2;13;181\r\n")
    assert [dict(e.reading.values) for e in readings_of(again)] == [B]


def test_received_time_and_lines_are_kept() -> None:
    at = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
    reader = StreamReader()
    (_, event) = reader.feed(HEAD + b"5.1;12;180\r\n", at)
    assert isinstance(event, StreamReading)
    assert (event.reading.time, event.reading.time_source) == (at, "received")
    assert event.reading.lines == (2,)
    assert event.reading.at["co_dry"] == (2, 2)


def test_a_time_in_the_line_is_its_own() -> None:
    reader = StreamReader()
    events = reader.feed(b"Time;O2 %;CO ppm\n2026-03-04T09:30:00+00:00;5.1;12\n")
    assert readings_of(events)[0].reading.time == datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
    assert readings_of(events)[0].reading.time_source == "file"


@pytest.mark.published
@pytest.mark.parametrize(
    ("kind", "value"), [("crc32", 0xCBF43926), ("crc16", 0x31C3), ("xor8", 0x31), ("sum8", 0xDD)]
)
def test_checksums_of_the_check_string(kind: Checksum, value: int) -> None:
    # Check values of "123456789" in common catalogues of CRCs (memory): CRC-32 and CRC-16/XMODEM.
    assert checksum(kind, b"123456789") == value


def test_salvaged_pieces_add_up_to_the_line() -> None:
    line = with_checksum("crc32", b"a;b") + b"?" + with_checksum("crc32", b"c;d") + b"!!"
    pieces = salvaged("crc32", line)
    assert b"".join(raw for raw, _ in pieces) == line
    assert [body for _, body in pieces] == [b"a;b", None, b"c;d", None]


def test_lines_that_are_no_pairs_and_no_labels() -> None:
    assert pairs_of("a=b=c") is None
    assert pairs_of("O2 5.1") is None
    assert labelled("5.1;12;180") is None
    assert labelled("Boiler house log of today") is None
