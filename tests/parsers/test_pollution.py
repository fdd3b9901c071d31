"""One good file, polluted one kind at a time: read or refused within a second, never misread.

The kinds are those that published work on messy CSV files names (changed delimiters, quotes, line
ends, multi-row or missing headings, ragged rows, preambles, footers, several tables); the files are
made here.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from parsers import ReadError, read

HEAD = "Time,O2 [%],CO [ppm],T flue [°C]"
ROWS = [f"2026-11-25 10:{n:02}:00,{3 + n / 10:.1f},{10 + n},{180 - n}" for n in range(12)]
TRUTH = [(round(3 + n / 10, 1), 10.0 + n, 180.0 - n) for n in range(12)]


def joined(lines: list[str], end: str = "\n") -> bytes:
    return (end.join(lines) + end).encode()


def with_row(n: int, change: Callable[[str], str]) -> list[str]:
    rows = list(ROWS)
    rows[n] = change(rows[n])
    return [HEAD, *rows]


KINDS: dict[str, bytes] = {
    "no_payload": b"",
    "no_header": joined(ROWS),
    "header_only": joined([HEAD]),
    "no_trailing_newline": joined([HEAD, *ROWS])[:-1],
    "double_trailing_newline": joined([HEAD, *ROWS, "", ""]),
    "crlf": joined([HEAD, *ROWS], "\r\n"),
    "cr": joined([HEAD, *ROWS], "\r"),
    "mixed_line_ends": joined([HEAD, *ROWS[:6]], "\r\n") + joined(ROWS[6:]),
    "delimiter_semicolon": joined([r.replace(",", ";") for r in [HEAD, *ROWS]]),
    "delimiter_tab": joined([r.replace(",", "\t") for r in [HEAD, *ROWS]]),
    "delimiter_pipe": joined([r.replace(",", "|") for r in [HEAD, *ROWS]]),
    "delimiter_comma_blank": joined([r.replace(",", ", ") for r in [HEAD, *ROWS]]),
    "one_row_other_delimiter": joined(with_row(5, lambda r: r.replace(",", ";"))),
    "one_row_less_delimiter": joined(with_row(5, lambda r: r.replace(",", "", 1))),
    "one_row_more_delimiter": joined(with_row(5, lambda r: r + ",")),
    "one_row_extra_cell": joined(with_row(5, lambda r: r + ",9")),
    "one_row_missing_cell": joined(with_row(5, lambda r: r.rpartition(",")[0])),
    "one_row_unquoted_quote": joined(with_row(5, lambda r: r.replace(",3.5", ',"3.5'))),
    "one_row_quoted_field": joined(with_row(5, lambda r: r.replace("3.5", '"3.5"'))),
    "one_row_whole_quoted": joined(with_row(5, lambda r: f'"{r}"')),
    "all_quoted": joined(['"' + r.replace(",", '","') + '"' for r in [HEAD, *ROWS]]),
    "single_quotes": joined(["'" + r.replace(",", "','") + "'" for r in [HEAD, *ROWS]]),
    "header_twice": joined([HEAD, *ROWS[:6], HEAD, *ROWS[6:]]),
    "header_multirow": joined([",Flue gas,,Temperature", "Time,O2,CO,Flue", ",%,ppm,°C", *ROWS]),
    "header_shorter": joined([HEAD.rpartition(",")[0], *ROWS]),
    "header_longer": joined([HEAD + ",Extra", *ROWS]),
    "header_unquoted_delimiter": joined([HEAD.replace("O2 [%]", "O2, [%]"), *ROWS]),
    "preamble": joined(["Report, one", "made by nobody", "", HEAD, *ROWS]),
    "footnote": joined([HEAD, *ROWS, "", "* calibrated in May"]),
    "blank_rows": joined([HEAD, *ROWS[:5], "", ",,,", *ROWS[5:]]),
    "two_tables": joined([HEAD, *ROWS[:6], "", "O2 [%],Time", "4.4,2026-11-25 11:00:00"]),
    "nul_bytes": joined([HEAD, *ROWS]).replace(b"3.5", b"3\x00.5"),
    "utf16": joined([HEAD, *ROWS]).decode().encode("utf-16"),
    "latin1": joined([HEAD, *ROWS]).decode().encode("latin-1"),
    "binary_tail": joined([HEAD, *ROWS]) + bytes(range(256)),
    "wrong_date_one_row": joined(with_row(5, lambda r: r.replace("2026-11-25", "2026-99-25"))),
    "text_in_number": joined(with_row(5, lambda r: r.replace("3.5", "3.5abc"))),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_polluted_file_is_right_or_says_so(kind: str) -> None:
    began = time.perf_counter()
    try:
        result = read(KINDS[kind], f"{kind}.csv")
    except ReadError as error:
        assert error.problems
        assert time.perf_counter() - began < 1
        return
    assert time.perf_counter() - began < 1
    keys = ("o2_dry", "co_dry", "stack_temperature")
    given = [tuple(r.values.get(k) for k in keys) for r in result.readings]
    said = bool(result.not_read) or any(
        w.code not in ("no_zone", "unit_assumed", "encoding_assumed") for w in result.warnings
    )
    if kind == "two_tables":
        assert given == [*TRUTH[:6], (4.4, None, None)]
        return
    # Whatever was read is true, and nothing true is lost without a word.
    assert [g for g in given if g not in TRUTH] == [] or said
    assert given == TRUTH or said


def test_most_kinds_are_read_whole() -> None:
    whole = 0
    for kind, data in KINDS.items():
        try:
            whole += len(read(data, f"{kind}.csv").readings) >= 11
        except ReadError:
            continue
    assert whole >= 28
