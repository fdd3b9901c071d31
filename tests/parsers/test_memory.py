"""Reading takes at most a stated multiple of the file in memory."""

from __future__ import annotations

import random
import tracemalloc

import pytest

from parsers import ReadError, ReadOptions, TooLarge, read

MULTIPLE, BASE = 250, 2_000_000
SIZE = 60_000
HOSTILE = {
    "log": b"O2 %,CO ppm,Stack degC\n" + b"5.1,23,154.2\n" * (SIZE // 13),
    "one line": b"a" * SIZE,
    "delimiters": b"," * SIZE,
    "quotes": b'"' * SIZE,
    "pairs": b"o2=5.1% co=23ppm tstack=154C\n" * (SIZE // 29),
    "tickets": b"O2 5.1 %\nCO 23 ppm\n\n" * (SIZE // 20),
    "wide": b"O2 %," * (SIZE // 5) + b"\n" + b"5," * (SIZE // 5),
    "noise": random.Random(1).randbytes(SIZE),
    "errors": b"O2 %,CO ppm\n" + b"x,y\n" * (SIZE // 4),
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_memory_stays_below_the_stated_multiple_of_the_file(kind: str) -> None:
    data = HOSTILE[kind]
    tracemalloc.start()
    try:
        read(data, "file.csv")
    except ReadError:
        pass
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak <= MULTIPLE * len(data) + BASE


def test_more_text_than_can_be_looked_at_row_by_row_is_refused() -> None:
    with pytest.raises(TooLarge, match="in parts"):
        read(HOSTILE["tickets"], "tickets.txt", options=ReadOptions(max_careful=SIZE // 2))
