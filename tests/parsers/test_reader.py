"""What the reader promises, one behaviour each."""

from __future__ import annotations

import gzip
import io
import re
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from parsers import (
    AmbiguousInput,
    EmptyInput,
    NotAnAnalyzerFile,
    ReadError,
    ReadOptions,
    ReadResult,
    TooLarge,
    UnitsMissing,
    read,
)


def of(text: str, **options: object) -> ReadResult:
    return read(text.encode(), "f.csv", options=ReadOptions(**options))  # type: ignore[arg-type]


def codes(result: ReadResult) -> set[str]:
    return {w.code for w in result.warnings}


# --- refusals ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "kind", "code"),
    [
        (b"", EmptyInput, "empty"),
        (b" \n\n", EmptyInput, "empty"),
        (b"%PDF-1.7\n...", NotAnAnalyzerFile, "wrong_file"),
        (b"\x89PNG\r\n\x1a\n", NotAnAnalyzerFile, "wrong_file"),
        (b"a,b,c\n1,2,3\n", NotAnAnalyzerFile, "no_known_quantity"),
        (b"O2 [%];CO [ppm]\n", NotAnAnalyzerFile, "no_readings"),
        (b"O2,CO,Stack temperature\n5,20,350\n", UnitsMissing, "unit_missing"),
        (b"O2 [%],Draft\n5,20\n", UnitsMissing, "unit_missing"),
        (b"O2 [%];Fuel input\n5;20\n", UnitsMissing, "unit_missing"),
        (b"O2 [%];Stack temperature [ppm]\n5;20\n", UnitsMissing, "unit_wrong"),
        (b"O2 [%];Oxygen [%]\n5;6\n", AmbiguousInput, "claimed_twice"),
        (b"CO [ppm];NO [ppm]\n1.234;2.345\n", AmbiguousInput, "decimal_mark"),
        (b"Date;O2 [%]\n03/04/2026;5\n", AmbiguousInput, "date_order"),
        (b"T stack [\xc2\xb0C];O2\n\xc2\xb0F;%\n350;5\n", AmbiguousInput, "two_units"),
    ],
)
def test_a_wrong_file_is_refused_with_its_place(
    data: bytes, kind: type[ReadError], code: str
) -> None:
    with pytest.raises(ReadError) as caught:
        read(data, "f.csv")
    problem = caught.value.problems[0]
    assert type(caught.value) is kind
    assert problem.code == code
    assert problem.line is not None
    assert problem.column is not None
    assert problem.expected
    assert problem.next_step


def test_every_problem_is_reported_at_once() -> None:
    with pytest.raises(UnitsMissing) as caught:
        of("O2;Stack temperature;Draft;Oxygen\n5;180;-5;6\n")
    assert [p.code for p in caught.value.problems] == [
        "unit_missing",
        "unit_missing",
        "claimed_twice",
    ]


def test_stated_units_and_decimal_mark_settle_what_the_file_leaves_open() -> None:
    result = of("O2;Stack temperature\n5;212\n", units={"stack_temperature": "degF"})
    assert result.readings[0].values["stack_temperature"] == 100.0
    assert of("CO [ppm]\n1.234\n", decimal=",").readings[0].values["co_dry"] == 1234.0


# --- values -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "value"),
    [
        (("1.234", "0.500"), 1.234),
        (("1,234", "1,5"), 1.234),
        (("1.234,5", "2"), 1234.5),
        (("1 234,5", "2"), 1234.5),
        (("1'234.5", "2"), 1234.5),
        (("12e2", "2"), 1200.0),
        (("−7", "2"), -7.0),
        (("7-", "2"), -7.0),
        (("１２", "2"), 12.0),
    ],
)
def test_a_number_is_what_its_column_says(cells: tuple[str, str], value: float) -> None:
    result = of("CO [ppm];O2 [%]\n" + "".join(f"{c};5\n" for c in cells))
    assert result.readings[0].values["co_dry"] == value


def test_zero_beside_grouped_digits_does_not_decide_the_mark() -> None:
    with pytest.raises(AmbiguousInput):
        of("CO [ppm];O2 [%]\n0;5\n1,234;5\n")


def test_thousands_follow_the_mark_of_the_other_columns() -> None:
    result = of("O2 [%];CO [ppm]\n5,1;1.234\n5,2;987\n")
    assert [r.values["co_dry"] for r in result.readings] == [1234.0, 987.0]
    assert "decimal_mark_by_evidence" in codes(result)


def test_a_cell_that_is_no_number_is_named_and_the_rest_is_read() -> None:
    result = of("O2 [%];CO [ppm]\n5,1;about 20\n")
    assert (result.not_read[0].line, result.not_read[0].column) == (2, 2)
    assert result.readings[0].values == {"o2_dry": 5.1}
    assert "about 20" in result.readings[0].missing["co_dry"]


@pytest.mark.parametrize("cell", ["1e308", "-1e308", "1" + "0" * 20, "9" * 400, "1e400", "0x10"])
def test_a_number_beyond_what_anything_measures_is_none(cell: str) -> None:
    result = read(f"O2 [%],CO [ppm]\n5.1,{cell}\n4.8,12\n".encode(), "a.csv")
    assert "co_dry" not in result.readings[0].values
    assert "not a number" in result.readings[0].missing["co_dry"]
    assert result.readings[1].values["co_dry"] == 12


def test_bounds_are_kept_apart_from_values() -> None:
    reading = of("O2 [%];CO [ppm]\n5;> 2000\n5;<1\n5;4000+\n").readings
    assert reading[0].bounds["co_dry"].above == 2000.0
    assert reading[1].bounds["co_dry"].below == 1.0
    assert reading[2].bounds["co_dry"].above == 4000.0
    assert all("co_dry" not in r.values for r in reading)


def test_a_mass_concentration_needs_its_conditions() -> None:
    assert "co_dry" not in of("O2 [%];CO [mg/m3]\n5;20\n").readings[0].values
    # 1 mg/m3 of CO at 0 degC and 101.325 kPa is 0.8 ppm (EN 50379 annex, memory).
    ppm = of("O2 [%];CO [mg/Nm3]\n5;100\n").readings[0].values["co_dry"]
    assert ppm == pytest.approx(80.0, rel=1e-3)


def test_a_row_number_is_not_nitric_oxide() -> None:
    result = of("No.;O2 [%]\n1;5,1\n2;5,2\n")
    assert "no_dry" not in result.readings[0].values
    assert of("NO [ppm];O2 [%]\n31;5,1\n").readings[0].values["no_dry"] == 31.0


def test_a_corrected_column_is_kept_as_such_with_its_reference() -> None:
    reading = of("O2 [%];CO [ppm];CO @ 3% O2 [ppm]\n5;20;23\n").readings[0]
    assert reading.values["co_dry"] == 20.0
    assert reading.values["stated_co_at_reference"] == 23.0
    assert reading.references == {"stated_co_at_reference": 3.0}


# --- lines ------------------------------------------------------------------


def test_a_row_with_too_few_cells_is_not_guessed() -> None:
    result = of("O2 [%];CO [ppm];T flue [°C]\n5;20;180\n5;180\n5;20;180\n")
    assert result.lines.reading == 2
    assert result.not_read[0].code == "ragged"


def test_a_last_line_that_breaks_off_is_not_read() -> None:
    result = of("O2 [%];CO [ppm];T flue [°C]\n5;20;180\n5;20")
    assert result.not_read[0].code == "cut_off"


def test_a_last_line_without_its_end_is_read_and_said() -> None:
    assert "no_last_line_end" in codes(of("O2 [%];CO [ppm]\n5;20\n5;20"))


def test_an_inch_mark_does_not_swallow_the_file() -> None:
    result = of('O2;Draft\n%;"WC\n5,1;-0,05\n5,2;-0,06\n')
    assert [r.lines for r in result.readings] == [(3,), (4,)]


def test_a_line_that_names_the_phase_holds_for_the_rows_after_it() -> None:
    result = of("Rate %;O2 %\nAs found\n100;3\nAs left\n100;4\n")
    assert [r.phase for r in result.readings] == ["as_found", "as_left"]


def test_a_mean_in_a_note_is_no_summary_row() -> None:
    result = of("O2 [%];Note\n5;mean\n")
    assert result.lines.reading == 1
    assert result.readings[0].note == "mean"


def test_a_statistic_beside_sideways_readings_is_no_reading() -> None:
    result = of("Item,Unit,1,2,Mean\nO2,%,3,5,4\nCO,ppm,1,3,2\n")
    assert [r.values["o2_dry"] for r in result.readings] == [3.0, 5.0]


def test_named_rates_are_not_turned_to_numbers() -> None:
    result = of("Firing rate,O2 [%]\nHigh fire,3.1\n")
    assert result.readings[0].firing_rate is None
    assert result.not_read[0].code == "named_rate"


def test_group_words_over_a_heading_are_part_of_it() -> None:
    result = of("CO;;O2\nmeasured;@ 3 % O2;\nppm;ppm;%\n20;23;5\n")
    assert result.readings[0].values == {
        "co_dry": 20.0,
        "stated_co_at_reference": 23.0,
        "o2_dry": 5.0,
    }


# --- times ------------------------------------------------------------------


def test_one_day_above_twelve_settles_all_dates() -> None:
    result = of("Date;O2 [%]\n03/04/2026 10:00;5\n25/04/2026 10:00;5\n")
    assert result.readings[0].time == datetime(2026, 4, 3, 10, 0)  # noqa: DTZ001


def test_the_person_may_state_the_order_of_day_and_month() -> None:
    result = of("Date;O2 [%]\n03/04/2026 10:00;5\n", day_first=False)
    assert result.readings[0].time == datetime(2026, 3, 4, 10, 0)  # noqa: DTZ001


def test_a_time_without_offset_takes_the_sites_zone_and_says_so() -> None:
    result = of("Time;O2 [%]\n2026-07-01 10:00;5\n", site_zone="Europe/Berlin")
    assert result.readings[0].time is not None
    assert result.readings[0].time.utcoffset() == timedelta(hours=2)
    assert result.readings[0].time_source == "file_and_site_zone"
    assert "site_zone_used" in codes(result)


def test_a_stated_offset_wins_over_the_sites_zone() -> None:
    result = of("Time;O2 [%]\n2026-07-01T10:00Z;5\n", site_zone="Europe/Berlin")
    assert result.readings[0].time == datetime(2026, 7, 1, 10, 0, tzinfo=UTC)


def test_a_clock_that_jumps_back_is_reported_with_its_line() -> None:
    result = of("Time;O2 [%]\n2026-01-01 10:00;5\n2026-01-01 09:00;5\n2026-01-01 09:30;5\n")
    assert [(w.code, w.line) for w in result.warnings if "jump" in w.code] == [
        ("clock_jumped_back", 3)
    ]


def test_a_day_that_does_not_exist_is_named() -> None:
    result = of("Time;O2 [%]\n2026-02-30 10:00;5\n2026-02-27 10:00;5\n")
    assert result.readings[0].time is None
    assert result.not_read[0].code == "time_not_read"


# --- packed and spreadsheet -------------------------------------------------

PLAIN = "Load [%];O2 [%];T flue [°C]\n100;3,1;181,5\n50;4,2;150\n"


def test_a_gzip_that_unpacks_beyond_the_limit_is_refused() -> None:
    with pytest.raises(TooLarge):
        read(gzip.compress(b"0" * 3_000_000), "f.gz", options=ReadOptions(max_unpacked=1_000_000))


def test_a_zip_with_two_files_asks_for_one() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a.csv", PLAIN)
        archive.writestr("b.csv", PLAIN)
    with pytest.raises(ReadError) as caught:
        read(out.getvalue(), "f.zip")
    assert caught.value.problems[0].code == "archive_members"


@pytest.mark.parametrize("packed", [b"\x1f\x8b\x08broken", b"PK\x03\x04broken"])
def test_a_broken_archive_is_the_parsers_own_error(packed: bytes) -> None:
    with pytest.raises(ReadError):
        read(packed, "f.zip")


ROWS = [
    ["Boiler 1", None, None],
    [None, None, None],
    ["Load [%]", "O2 [%]", "T flue [°C]"],
    [100, 3.1, 181.5],
    [50, 4.2, 150],
]


def workbook() -> bytes:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in ROWS:
        book.active.append(row)
    side = book.create_sheet("aside")
    for row in zip(*ROWS[2:], strict=True):
        side.append(list(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def opendocument() -> bytes:
    pytest.importorskip("odf")
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    book = OpenDocumentSpreadsheet()
    table = Table(name="Log")
    for row in ROWS:
        line = TableRow()
        for value in row:
            if isinstance(value, int | float):
                cell = TableCell(valuetype="float", value=value)
            else:
                cell = TableCell(valuetype="string")
                cell.addElement(P(text=value or ""))
            line.addElement(cell)
        table.addElement(line)
    book.spreadsheet.addElement(table)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_a_workbook_is_read_by_sheet_row_and_cell() -> None:
    result = read(workbook(), "f.xlsx")
    assert [r.values["o2_dry"] for r in result.readings] == [3.1, 4.2, 3.1, 4.2]
    assert result.readings[0].lines == (4,)
    assert result.readings[0].at["stack_temperature"] == (4, 3)
    assert {r.sheet for r in result.readings} == {"Sheet", "aside"}


def test_an_opendocument_sheet_is_read_alike() -> None:
    result = read(opendocument(), "f.ods")
    assert [r.values["stack_temperature"] for r in result.readings] == [181.5, 150.0]
    assert result.lines.physical == 5


def test_a_cell_far_out_takes_no_memory_of_this_program() -> None:
    """One named far enough out makes the library ask for room that no machine has."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.cell(1, 1, 1.0)
    book.active.cell(1_048_576, 16_384, 2.0)
    out = io.BytesIO()
    book.save(out)
    with pytest.raises(TooLarge, match="too far"):
        read(out.getvalue(), "f.xlsx")


def opendocument_of(table: str, before: str = "") -> bytes:
    """Return a sheet with this content, and what stands before its root."""
    packed = zipfile.ZipFile(io.BytesIO(opendocument()))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for member in packed.infolist():
            data = packed.read(member)
            if member.filename == "content.xml":
                text = re.sub(r"(<table:table [^>]*>).*(</table:table>)", rf"\1{table}\2",
                              data.decode(), flags=re.DOTALL)  # fmt: skip
                data = re.sub(r"^(<\?xml[^>]*>)?", rf"\g<0>{before}", text, count=1).encode()
            archive.writestr(member, data)
    return out.getvalue()


def cells_of(*values: str) -> str:
    made = (
        f'<table:table-cell office:value-type="string"><text:p>{v}</text:p></table:table-cell>'
        for v in values
    )
    return f"<table:table-row>{''.join(made)}</table:table-row>"


OUTSIDE = '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
LAUGHS = "<!DOCTYPE x [<!ENTITY a0 'ha'>" + "".join(
    f"<!ENTITY a{n + 1} '{f'&a{n};' * 10}'>" for n in range(9)
) + "]>"  # fmt: skip


@pytest.mark.parametrize(("before", "entity"), [(OUTSIDE, "&e;"), (LAUGHS, "&a9;")])
def test_entities_of_a_spreadsheet_are_not_looked_up(before: str, entity: str) -> None:
    """XML 1.0, 4.2.2 and 4.4 (memory): a parser may fetch them, and make gigabytes of one."""
    head = cells_of("O2 %", "CO ppm", "Note")
    with pytest.raises(ReadError, match="cannot be opened"):
        read(opendocument_of(head + cells_of("5", "10", entity), before), "f.ods")
    sheet = f'<c r="C1" t="inlineStr"><is><t>{entity}</t></is></c>'
    packed, out = zipfile.ZipFile(io.BytesIO(workbook())), io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for member in packed.infolist():
            data = packed.read(member).decode()
            if member.filename == "xl/worksheets/sheet1.xml":
                data = before + data.replace("</row>", f"{sheet}</row>", 1)
            archive.writestr(member, data)
    with pytest.raises(ReadError, match="cannot be opened"):
        read(out.getvalue(), "f.xlsx")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (
            '<table:table-row table:number-rows-repeated="1048576">{}</table:table-row>',
            "at most 250000 rows",
        ),
        (  # the library repeats it no further than a sheet is wide
            "<table:table-row>{}"
            '<table:table-cell table:number-columns-repeated="2000000000" '
            'office:value-type="float" office:value="1"/></table:table-row>',
            "no row of numbers",
        ),
    ],
)
def test_what_a_few_bytes_repeat_a_million_times_is_refused(row: str, said: str) -> None:
    cell = '<table:table-cell office:value-type="float" office:value="5"/>'
    data = opendocument_of(cells_of("O2 %", "CO ppm") + row.format(cell * 2))
    assert len(data) < 10_000
    with pytest.raises(ReadError, match=said):
        read(data, "f.ods")


def test_a_text_that_many_cells_share_is_counted_as_often() -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in range(1, 700):
        book.active.cell(row, 1, "y" * 30_000)
    out = io.BytesIO()
    book.save(out)
    with pytest.raises(TooLarge, match="holds too much"):
        read(out.getvalue(), "f.xlsx")


def test_a_workbook_that_takes_the_program_with_it_is_told(tmp_path: Path) -> None:
    """What the system ends for its memory is an answer here, and no end of this program."""
    program = tmp_path / "ended.py"
    program.write_text("import os, signal; os.kill(os.getpid(), signal.SIGKILL)")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("parsers.sheets._PROGRAM", program)
        with pytest.raises(TooLarge, match="too far"):
            read(workbook(), "f.xlsx")


def test_a_broken_workbook_is_the_parsers_own_error() -> None:
    data = bytearray(workbook())
    for at in range(400, len(data), 97):
        data[at] ^= 0x5A
    with pytest.raises(ReadError):
        read(bytes(data), "f.xlsx")
