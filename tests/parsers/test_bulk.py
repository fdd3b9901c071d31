"""Long logs: the fast way and the careful way give the same readings and the same account."""

from __future__ import annotations

import numpy as np
import pytest

from parsers import ReadOptions, ReadResult, bulk, read
from tests.parsers.logs import log


@pytest.fixture(params=["pyarrow", "pandas"])
def fast(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Run the test with each fast reader, small chunks and no lower limit of size."""
    if request.param == "pandas":
        monkeypatch.setattr(bulk, "pyarrow", None)
    monkeypatch.setattr("parsers.reader.BULK_BYTES", 1)
    monkeypatch.setattr(bulk, "_CHUNK", 1 << 17)
    monkeypatch.setattr(bulk, "_HEAD", 1 << 12)
    return str(request.param)


def careful(data: bytes, **options: object) -> ReadResult:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("parsers.reader.BULK_BYTES", 1 << 60)
        return read(data, "log.csv", options=ReadOptions(**options))  # type: ignore[arg-type]


def alike(data: bytes, **options: object) -> ReadResult:
    """Return the fast result after holding it against the careful one."""
    quick = read(data, "log.csv", options=ReadOptions(**options))  # type: ignore[arg-type]
    slow = careful(data, **options)
    assert type(quick.readings).__name__ == "LogReadings"
    assert quick.lines == slow.lines
    assert quick.columns == slow.columns
    assert len(quick.readings) == len(slow.readings)
    for mine, other in zip(quick.readings, slow.readings, strict=True):
        assert mine == other
    assert [(n.line, n.column, n.raw, n.code) for n in quick.not_read] == [
        (n.line, n.column, n.raw, n.code) for n in slow.not_read
    ]
    return quick


BASE = log(2500)


def test_a_plain_log_is_bit_exact(fast: str) -> None:
    result = alike(BASE)
    assert result.lines.reading == 2500
    rows = [line.split(";") for line in BASE.decode().splitlines()[5:]]
    exact = [float(r[1].replace(",", ".")) for r in rows]
    assert result.table.values["o2_dry"].tolist() == exact
    assert result.table.lines.tolist() == list(range(6, 2506))
    assert str(result.table.times[-1]) == "2026-11-01T00:41:39.000000"


def test_a_site_zone_and_fahrenheit_are_applied(fast: str) -> None:
    data = BASE.replace("Abgastemperatur [°C]".encode(), "Abgastemperatur [°F]".encode())
    result = alike(data, site_zone="Europe/Berlin")
    assert result.readings[0].time_source == "file_and_site_zone"


@pytest.mark.parametrize(
    "insert",
    [
        b"",
        b";;;;;;;;;;;",
        b"Mittelwert;4,0;9,7;20;30;1;31;150;20;-10;70;50",
        b"logger restarted",
        b"2026-11-01 00:30:00;4,0;9,7",
        b"2026-11-01 00:30:00;---;---;---;---;---;---;---;---;---;---;---",
        b"2026-11-01 00:30:00;> 21;9,7;20;OFF;1;31;150;20;-10;70;50",
        b"2026-11-01 00:30:00;nan;inf;20;;1;31;150;20;-10;70;50",
        b"2026-11-01 00:30:00;4,0;1e308;20;-1e308;1;31;150;20;-10;70;50",
        b"2026-11-01 00:30:00;4,0;9,7;1.234;30;1;31;150;20;-10;70;50",
        b"2026-11-01 00:30:00;4,0;9,7;-999;30;1;31;150;20;-10;70;50",
        b"2026-13-01 00:30:00;4,0;9,7;20;30;1;31;150;20;-10;70;50",
        b'2026-11-01 00:30:00;"4,0";9,7;20;30;1;31;150;20;-10;70;50',
        b"2026-11-01 00:30:00;4,0;9,7;20;30;1;31;150;20;-10;70;50;99",
    ],
)
def test_an_odd_line_in_the_middle_is_read_with_care(fast: str, insert: bytes) -> None:
    lines = BASE.split(b"\n")
    lines.insert(1200, insert)
    data = b"\n".join(lines)
    alike(data)


def test_a_repeated_heading_and_a_footer_are_accounted_for(fast: str) -> None:
    lines = BASE.split(b"\n")
    lines.insert(1200, lines[4])
    result = alike(b"\n".join([*lines[:-1], b"", b"end of log", b""]))
    assert result.lines.heading == 2


def test_a_last_line_that_breaks_off_is_not_read(fast: str) -> None:
    result = alike(BASE[:-30])
    assert result.not_read[-1].code == "cut_off"


def test_windows_line_ends_count_as_one(fast: str) -> None:
    assert alike(BASE.replace(b"\n", b"\r\n")).lines.physical == 2505


def test_text_columns_stay_with_their_rows(fast: str) -> None:
    lines = BASE.decode().splitlines()
    lines[4] += ";Phase;Note"
    for n in range(5, len(lines)):
        lines[n] += f";{'as found' if n < 1000 else 'as left'};{'x' if n % 7 == 0 else ''}"
    result = alike(("\n".join(lines) + "\n").encode())
    assert result.readings[2400].phase == "as_left"


def test_a_new_block_later_sends_the_log_the_careful_way(fast: str) -> None:
    other = b"O2 [%];Lufttemperatur [\xc2\xb0C]\n3,3;20,5\n3,4;20,6\n"
    result = read(BASE + other, "log.csv")
    assert len(result.readings) == 2502
    assert result.readings[2501].values["o2_dry"] == 3.4


def test_marks_that_the_head_leaves_open_are_settled_over_the_whole(fast: str) -> None:
    rows = [f"{10 + n % 5};{100 + n % 9}" for n in range(3000)]
    rows[2500] = "1.234;101"
    data = ("O2 [%];CO [ppm]\n" + "\n".join(rows) + "\n").encode()
    quick, slow = read(data, "log.csv"), careful(data)
    assert quick.readings[2500].values == slow.readings[2500].values


def test_columns_are_offered_as_arrays(fast: str) -> None:
    table = read(BASE, "log.csv").table
    assert table.values["stack_draft"].dtype == np.float64
    assert len(table.values["stack_draft"]) == 2500
