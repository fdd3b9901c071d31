"""Any bytes: a result or the parser's own error, in bounded time, every line accounted for."""

from __future__ import annotations

import json
import random
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from parsers import ReadError, read, read_json
from tests.parsers.corpus import Table

PIECES = [
    b"O2 [%]",
    b"CO [ppm]",
    b"Stack temperature",
    b"[\xb0F]",
    b"\xc2\xb0C",
    b";",
    b",",
    b"\t",
    b"\n",
    b"\r",
    b"\r\n",
    b'"',
    b"5,1",
    b"1.234",
    b"1,234.5",
    b"---",
    b"> 2000",
    b"Mean",
    b"as left",
    b"=",
    b": ",
    b"  ",
    b"25.11.2026",
    b"03/04/2026 10:00",
    b"10:01:05 PM",
    b"\x00",
    b"\xff\xfe",
    b"\x1f\x8b",
    b"PK\x03\x04",
    b"%",
    b"ppm",
    b"-",
    b"1e999",
    b"nan",
    b"Date",
    b"Time",
    b"Elapsed [s]",
    b"0",
    b"99",
]


def held(data: bytes) -> None:
    began = time.perf_counter()
    try:
        result = read(data, "any.csv")
    except ReadError as error:
        assert error.problems
        assert all(p.message and p.expected and p.next_step for p in error.problems)
        return
    finally:
        assert time.perf_counter() - began < 5
    lines = read_json(result)["lines"]
    assert sum(v for k, v in lines.items() if k != "physical") == lines["physical"]
    assert lines["not_read"] == sum(n.column is None for n in result.not_read)
    for reading in result.readings:
        assert set(reading.values) <= set(reading.at)
        assert reading.lines
    json.dumps(read_json(result), allow_nan=False)


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=400))
def test_any_bytes_end_in_a_result_or_the_parsers_own_error(data: bytes) -> None:
    held(data)


@settings(max_examples=600, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.sampled_from(PIECES), max_size=60).map(b"".join))
def test_pieces_of_analyzer_files_in_any_order(data: bytes) -> None:
    held(data)


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**32 - 1), st.integers(1, 6))
def test_a_good_file_with_a_few_bytes_changed(seed: int, changes: int) -> None:
    chance = random.Random(seed)
    data = bytearray(Table().data())
    for _ in range(changes):
        at = chance.randrange(len(data))
        kind = chance.randrange(3)
        if kind == 0:
            data[at] = chance.randrange(256)
        elif kind == 1:
            del data[at]
        else:
            data[at:at] = chance.choice(PIECES)
    held(bytes(data))


@pytest.mark.parametrize(
    "data",
    [b'"' * 8_000, b";" * 40_000, b"\n" * 40_000, b"O2;" * 12_000, b"O2 [%]\n" * 6_000,
     b"a=b " * 10_000, b"(" * 20_000, b"1" * 8_000, b"O2 [%];CO\n" + b'"5;1\n' * 4_000,
     b"O2 5.1 %\n" * 4_000, b" " * 20_000 + b"O2", b"5,1.2,3." * 4_000,
     b"O2 [%]\n" + b"1,234" * 8_000, b"- " * 16_000, b"O2: " * 10_000],
    ids=range(15),
)  # fmt: skip
def test_hostile_repetition_does_not_hang(data: bytes) -> None:
    held(data)
