"""The command ``fluebook read``: its documents, its statuses and what it says."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from ingest.read_command import read

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
app = typer.Typer(add_completion=False)
app.command()(read)
run = CliRunner()


@pytest.fixture(autouse=True)
def _no_maps_of_this_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLUEBOOK_MAPS", str(tmp_path / "none"))


def test_json_is_the_contract_document() -> None:
    done = run.invoke(app, [str(SAMPLES / "snapshots_four_rates.csv"), "--json"])
    document = json.loads(done.stdout)
    assert done.exit_code == 0
    assert document["format"] == "fluebook.read/1"
    lines = document["lines"]
    assert sum(v for k, v in lines.items() if k != "physical") == lines["physical"]
    first = document["readings"][0]
    assert first["at"]["stack_temperature"] == [6, 4]
    assert first["values"]["stack_temperature"] == pytest.approx(178.0)


def test_stated_rates_and_phase_stand_in_the_document() -> None:
    path = str(SAMPLES / "snapshots_four_rates.csv")
    done = run.invoke(app, [path, "--json", "--rates", "100,75,50,25", "--phase", "as-left"])
    readings = json.loads(done.stdout)["readings"]
    assert [r["firing_rate"] for r in readings] == [100.0, 75.0, 50.0, 25.0]
    assert {r["phase"] for r in readings} == {"as_left"}


def test_a_count_of_rates_that_does_not_match_ends_with_status_2() -> None:
    path = str(SAMPLES / "snapshots_four_rates.csv")
    done = run.invoke(app, [path, "--rates", "100,50"])
    assert done.exit_code == 2
    assert "2 firing rates are stated for 4 readings" in done.output


def test_line_ranges_are_stated_on_the_command_line() -> None:
    path = str(SAMPLES / "snapshots_four_rates.csv")
    done = run.invoke(app, [path, "--json", "--lines", "6-7=100,as-found", "--lines", "8-9=50"])
    readings = json.loads(done.stdout)["readings"]
    assert [(r["firing_rate"], r["phase"]) for r in readings] == [
        (100.0, "as_found"), (100.0, "as_found"), (50.0, None), (50.0, None),
    ]  # fmt: skip


def test_explain_shows_every_column_and_the_account() -> None:
    done = run.invoke(app, [str(SAMPLES / "as_found_as_left.csv"), "--explain"])
    assert done.exit_code == 0
    assert "summary" in done.output
    assert "SHA-256" in done.output


def test_people_see_a_table() -> None:
    done = run.invoke(app, [str(SAMPLES / "log_one_minute.csv")])
    assert "7 readings" in done.output
    assert "not read line 13" in done.output


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"%PDF-1.7", "a PDF document"),
        (b"", "no bytes"),
        (b"a,b\n1,2\n", "no heading or label"),
        (b"O2,Stack temperature\n5,180\n", "has no unit"),
    ],
)
def test_a_wrong_file_ends_with_status_2_and_one_clear_message(
    tmp_path: Path, content: bytes, said: str
) -> None:
    file = tmp_path / "f.csv"
    file.write_bytes(content)
    done = run.invoke(app, [str(file)])
    assert done.exit_code == 2
    assert said in done.output
    assert "line 1" in done.output
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    "args",
    [["nowhere.csv"], ["F", "--phase", "x"], ["F", "--rates", "a"], ["F", "--unit", "x"],
     ["F", "--site-zone", "Nowhere/None"], ["F", "--lines", "x"], ["F", "--decimal", ";"]],
)  # fmt: skip
def test_wrong_usage_ends_with_status_64(args: list[str]) -> None:
    path = str(SAMPLES / "key_value_lines.csv")
    assert run.invoke(app, [path if a == "F" else a for a in args]).exit_code == 64
