"""``fluebook compute``: every row and cell kept, every computed column beside it."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from api.command import main
from combustion.compute import OUTPUTS
from combustion.quantities import QUANTITIES
from ingest.compute_table import computed_table
from ingest.contracts import schemas
from parsers import ReadOptions

run = CliRunner()

FILE = """case,fuel,O2 [%],CO [ppm],NO [ppm],flue temperature [degC],air temperature [degC],remark
A-1,natural gas,5.0,120,40,180,20,"first, and best"
A-2,"mol:CH4=95, C2H6=2.5, N2=2.2",5.0,120,40,180,20,
A-3,natural gas,22,10,40,180,20,impossible
A-4,coal,5,10,40,180,20,no such fuel
A-5,propane,,,,180,20,empty cells
A-6,natural gas,5,oops,40,180,20,a word
"""


def invoke(*args: str) -> tuple[int, str, str]:
    result = run.invoke(main, ["compute", *args])
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "cases.csv"
    file.write_text(FILE)
    return file


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_rows_order_and_cells_are_kept_and_computed_columns_carry_units(path: Path) -> None:
    status, out, _ = invoke(str(path))
    assert status == 0
    before, after = rows(FILE), rows(out)
    assert len(after) == len(before)
    for old, new in zip(before, after, strict=True):
        assert {k: new[k] for k in old} == old
    for key in OUTPUTS:
        assert f"{key} [{QUANTITIES[key].unit}]" in after[0]
    assert float(after[0]["efficiency_gross [%]"]) == pytest.approx(82.87, abs=0.05)


def test_one_bad_row_never_stops_the_rest_and_says_why(path: Path) -> None:
    after = rows(invoke(str(path))[1])
    assert "excess_air" in after[2]["refused"]
    assert "20.9" in after[2]["refused"]
    assert "not a known name" in after[3]["refused"]
    assert "empty cell" in after[4]["refused"]
    assert after[5]["excess_air [%]"] != ""
    assert "CO was not measured" in after[5]["refused"]
    assert after[0]["excess_air [%]"] != ""


def test_json_is_fluebook_compute_1(path: Path) -> None:
    _, out, said = invoke(str(path), "--json")
    body = json.loads(out)
    jsonschema.validate(body, schemas()["compute-1.json"])
    assert body["format"] == "fluebook.compute/1"
    assert body["conventions"]
    assert [r["row"] for r in body["rows"]] == [1, 2, 3, 4, 5, 6]
    assert [r["line"] for r in body["rows"]] == [2, 3, 4, 5, 6, 7]
    for row in body["rows"]:
        assert set(row["values"]) | set(row["refused"]) == set(OUTPUTS)
        assert not set(row["values"]) & set(row["refused"])
    assert "normalised" in said
    assert any("normalised" in note for note in body["notes"])


def test_a_case_by_options_equals_the_same_row_of_a_file(path: Path) -> None:
    _, out, _ = invoke(
        "--fuel", "natural gas", "--o2", "5", "--co", "120", "--no", "40",
        "--stack", "356degF", "--air", "20 degC", "--json",
    )  # fmt: skip
    one = json.loads(out)["rows"][0]
    table = json.loads(invoke(str(path), "--json")[1])["rows"][0]
    assert one["values"] == pytest.approx(table["values"], rel=1e-12)


def test_a_case_is_shown_as_a_table_with_its_caution() -> None:
    status, out, _ = invoke(
        "--fuel", "propane", "--o2", "4", "--stack", "150degC", "--air", "20degC"
    )
    assert status == 0
    for words in ("Excess air", "Efficiency, gross", "CO was not measured", "licensed practice"):
        assert words in " ".join(out.split())


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--o2", "5"], "--fuel"),
        (["--fuel", "coal", "--o2", "5"], "not a known name"),
        (["--fuel", "methane", "--stack", "180"], "unit"),
        (["--fuel", "methane", "--stack", "180ppm"], "different things"),
        (["--fuel", "methane", "--o2", "five"], "expected a number"),
        (["--fuel", "methane", "--o2", "5", "--accuracy", "o2"], "expected such as"),
        (["--fuel", "methane"], "give a file"),
        (["nowhere.csv"], "no such file"),
        (["--fuel", "methane", "--o2", "5", "--no2-share", "100"], "per cent"),
    ],
)
def test_wrong_usage_ends_with_64_and_a_way_out(args: list[str], words: str) -> None:
    status, _, said = invoke(*args)
    assert status == 64
    assert words in said


def test_a_file_that_is_none_ends_with_2(tmp_path: Path) -> None:
    file = tmp_path / "poem.txt"
    file.write_text("no numbers here\nand none there\n")
    assert invoke(str(file))[0] == 2


def test_accuracies_by_option_give_uncertainty_columns(path: Path) -> None:
    after = rows(invoke(str(path), "--accuracy", "o2=0.2", "--accuracy", "stack=3.6degF")[1])
    assert float(after[0]["u(o2_dry) [%]"]) == pytest.approx(0.1)
    # 3.6 degF is 2 K, k = 2: the offset of the scale has no part in a difference.
    assert float(after[0]["u(net_stack_temperature) [K]"]) == pytest.approx(1.0)
    assert "u(efficiency_gross) [%]" in after[0]


@pytest.mark.parametrize(
    ("heading", "cell", "u"),
    [
        ("O2 accuracy [%]", "0.4", 0.2),
        ("O2 accuracy [%] k=1", "0.4", 0.4),
        ("accuracy O2 (% of reading)", "4", 0.1),
        ("O2 uncertainty [%]", "", None),
    ],
)
def test_accuracies_by_column(tmp_path: Path, heading: str, cell: str, u: float | None) -> None:
    file = tmp_path / "a.csv"
    file.write_text(f"O2 [%],{heading},T stack [degC]\n5.0,{cell},180\n6.0,{cell},190\n")
    row = rows(invoke(str(file), "--fuel", "methane")[1])[0]
    if u is None:
        assert float(row["u(o2_dry) [%]"]) == 0.0
    else:
        assert float(row["u(o2_dry) [%]"]) == pytest.approx(u)


def test_parquet_holds_the_same_numbers_and_their_units(path: Path, tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    out = tmp_path / "out.parquet"
    assert invoke(str(path), "--out", str(out))[0] == 0
    table = pq.read_table(out)
    after = rows(invoke(str(path))[1])
    column = table["efficiency_gross [%]"].to_pylist()
    assert column[0] == pytest.approx(float(after[0]["efficiency_gross [%]"]), rel=1e-9)
    assert column[3] is None
    assert table.schema.field("efficiency_gross [%]").metadata[b"unit"] == b"%"
    assert table["case"].to_pylist() == ["A-1", "A-2", "A-3", "A-4", "A-5", "A-6"]


def test_options_hold_for_rows_without_their_own(path: Path) -> None:
    low = rows(invoke(str(path))[1])[0]["water_dew_point [degC]"]
    high = rows(invoke(str(path), "--altitude", "2000m")[1])[0]["water_dew_point [degC]"]
    assert float(high) < float(low) - 4.0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["natural gas", "propane", "no2_oil", "coal", ""]),
            st.one_of(
                st.floats(0, 20.5).map(lambda x: f"{x:.2f}"), st.sampled_from(["", "-", "x"])
            ),
            st.one_of(st.integers(0, 3000).map(str), st.sampled_from(["", "n/a"])),
            st.floats(20, 400).map(lambda x: f"{x:.1f}"),
            st.text(alphabet="abc ,;\"'", max_size=8),
        ),
        min_size=2,
        max_size=12,
    ),
    st.sampled_from([",", ";", "\t"]),
)
def test_any_table_keeps_its_rows_and_cells(table: list[tuple[str, ...]], delimiter: str) -> None:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n")
    writer.writerow(["case", "fuel", "O2 [%]", "CO [ppm]", "stack temperature [degC]", "remark"])
    for i, row in enumerate(table):
        writer.writerow([f"c{i}", *row])
    found = computed_table(text.getvalue().encode(), "t.csv", options=ReadOptions())
    assert [cells[0] for cells in found.cells] == [f"c{i}" for i in range(len(table))]
    assert [tuple(cells[1:]) for cells in found.cells] == table
    for i in range(len(table)):
        refused = found.refused(i)
        for key in OUTPUTS:
            value = found.computed.values[key][i]
            assert (value != value) == (key in refused)
