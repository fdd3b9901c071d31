"""A visit on disk, and the judge command over it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from ingest.documents import DocumentError
from ingest.folder import Stated, case_at, visits_at
from ingest.judge_command import explain, judge
from ingest.rules import RULES
from ingest.validator import judge as judge_case

HEAD = (
    "Phase,Firing rate [%],O2 [%],CO2 [%],CO [ppm],Stack temperature [degF],Return water [degF]\n"
)
GOOD = HEAD + "as left,100,4.0,9.6,20,320,150\nas left,20,5.0,9.0,15,250,150\n"
BAD = HEAD + "as left,100,4.0,9.6,500,320,150\nas left,20,5.0,9.0,15,250,150\n"
BOILER: dict[str, Any] = {
    "fuel": "natural_gas",
    "targets": {"20": {"o2": [4, 6]}, "100": {"o2": [3, 5]}},
    "units": {"temperature": "degF"},
    "limits": {"stack_temperature_max": 380},
}

app = typer.Typer()
app.command("judge")(judge)
app.command("explain")(explain)


def run(*args: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(a) for a in args])
    return result.exit_code, result.stdout, result.stderr


def visit_folder(at: Path, readings: str = GOOD, **visit: Any) -> Path:
    at.mkdir(parents=True)
    (at / "readings.csv").write_text(readings)
    (at / "visit.json").write_text(json.dumps({"id": at.name, **visit}))
    (at / "boiler.json").write_text(json.dumps(BOILER))
    return at


def test_a_visit_folder_in_order_ends_with_status_0(tmp_path: Path) -> None:
    status, out, _ = run("judge", visit_folder(tmp_path / "v1", room_co=2), "--json")
    assert status == 0
    document = json.loads(out)
    assert (document["format"], document["visit"]) == ("fluebook.judge/1", "v1")
    assert document["worst"] is None and document["not_judged"]
    assert set(document["limits"]) == {"id", "sha256"}


def test_status_1_for_flags_3_for_a_stop_and_the_words_around_it(tmp_path: Path) -> None:
    assert run("judge", visit_folder(tmp_path / "v1", room_co=15))[0] == 1
    status, out, _ = run("judge", visit_folder(tmp_path / "v2", BAD, how_left="running"))
    assert status == 3 and "left running" in out and "(default, quoted)" in out
    assert "STOP: do not leave it running" in out and "may restart" in " ".join(out.split())


def test_room_co_says_leave_first(tmp_path: Path) -> None:
    status, out, _ = run("judge", visit_folder(tmp_path / "v1", room_co=60))
    assert status == 3 and "Leave the room and ventilate it first" in out


def test_in_a_folder_the_worst_wins(tmp_path: Path) -> None:
    visit_folder(tmp_path / "a")
    visit_folder(tmp_path / "b", room_co=15)
    status, out, _ = run("judge", tmp_path, "--json")
    assert (status, len(out.splitlines())) == (1, 2)
    visit_folder(tmp_path / "c", "nothing known here\n")
    status, out, err = run("judge", tmp_path, "--json")
    assert (status, len(out.splitlines())) == (2, 2) and "c: could not be read" in err
    visit_folder(tmp_path / "d", BAD)
    assert run("judge", tmp_path, "--json")[0] == 3


def test_one_reading_file_needs_a_boiler(tmp_path: Path) -> None:
    file = tmp_path / "readings.csv"
    file.write_text(GOOD)
    status, _, err = run("judge", file)
    assert status == 2 and "--boiler" in err
    (tmp_path / "other.json").write_text(json.dumps(BOILER))
    assert run("judge", file, "--boiler", tmp_path / "other.json")[0] == 0


def test_saved_snapshots_without_rates_are_put_to_rates(tmp_path: Path) -> None:
    file, boiler = tmp_path / "snapshots.csv", tmp_path / "boiler.json"
    file.write_text("O2 [%],CO [ppm],Stack temperature [degC]\n4.0,20,160\n5.0,15,120\n")
    boiler.write_text(json.dumps(BOILER))
    assert run("judge", file)[0] == 2
    status, out, _ = run("judge", file, "--rates", "100,20", "--phase", "as-left", "--json")
    assert status == 0
    assert not [f for f in json.loads(out)["flags"] if f["rule"] == "taken_for_granted"]
    status, _, err = run("judge", file, "--rates", "100,50,20", "--phase", "as-left")
    assert status == 2 and "3 firing rates are stated for 2 readings" in err


def test_wrong_usage_is_64(tmp_path: Path) -> None:
    assert run("judge", tmp_path / "nowhere")[0] == 64
    at = visit_folder(tmp_path / "v1")
    assert run("judge", at, "--phase", "sideways")[0] == 64
    assert run("judge", at, "--rates", "high,low")[0] == 64
    assert run("explain", "no_such_rule")[0] == 64


def test_a_broken_document_is_2_and_names_the_pointer(tmp_path: Path) -> None:
    at = visit_folder(tmp_path / "v1")
    (at / "boiler.json").write_text('{"condensng": true}')
    status, _, err = run("judge", at)
    assert status == 2 and "/condensng" in err and "condensing" in err


def test_history_as_folders_and_as_files(tmp_path: Path) -> None:
    hot = GOOD.replace(",320,", ",377,").replace(",250,", ",300,")
    at = visit_folder(tmp_path / "now", hot)
    visit_folder(at / "history" / "2024-01-01", GOOD.replace("20,320", "21,321"))
    (at / "history" / "2025-01-01.csv").write_text(GOOD.replace("20,320", "19,319"))
    case = case_at(at)
    assert [e.visit.external_id for e in case.history] == ["2024-01-01", "2025-01-01"]
    status, out, _ = run("judge", at, "--json")
    assert status == 1
    assert "stack_approach_high" in {f["rule"] for f in json.loads(out)["flags"]}


def test_an_earlier_visit_that_cannot_be_read_is_said_and_stops_nothing(tmp_path: Path) -> None:
    at = visit_folder(tmp_path / "now")
    (at / "history").mkdir()
    (at / "history" / "old.csv").write_text("nothing known\n")
    case = case_at(at)
    assert case.history == [] and "old.csv" in case.assumed[0]
    assert run("judge", at)[0] == 0


def test_phase_from_the_name_of_the_file(tmp_path: Path) -> None:
    at = visit_folder(tmp_path / "v1")
    bare = "\n".join(line.split(",", 1)[1] for line in GOOD.splitlines())
    (at / "readings.csv").unlink()
    (at / "as_found.csv").write_text(bare.replace("9.6,20", "9.6,33"))
    (at / "as_left.csv").write_text(bare)
    phases = {p.key.phase for p in case_at(at).points}
    assert phases == {"as_found", "as_left"}


def test_a_phase_nobody_states_is_taken_as_left_and_said(tmp_path: Path) -> None:
    at = visit_folder(tmp_path / "v1")
    bare = "\n".join(line.split(",", 1)[1] for line in GOOD.splitlines())
    (at / "readings.csv").write_text(bare)
    status, out, _ = run("judge", at, "--json")
    assert status == 0
    assert [f["severity"] for f in json.loads(out)["flags"]] == ["info"]
    assert case_at(at, stated=Stated(phase="as_left")).assumed == ()


def test_pictures_and_notes_beside_the_readings_are_left_alone(tmp_path: Path) -> None:
    at = visit_folder(tmp_path / "v1")
    (at / "photo.jpg").write_bytes(b"\xff\xd8")
    (at / "README.txt").write_text("hello")
    (at / "notes.txt").write_text("the door sticks")
    case = case_at(at)
    assert len(case.points) == 2 and case.assumed == (
        "notes.txt holds no readings and is left out.",
    )


def test_a_folder_of_folders_shares_a_boiler(tmp_path: Path) -> None:
    at = visit_folder(tmp_path / "v1")
    (at / "boiler.json").rename(tmp_path / "boiler.json")
    assert [v.name for v in visits_at(tmp_path)] == ["v1"]
    assert run("judge", tmp_path)[0] == 0


def test_an_empty_folder_is_2(tmp_path: Path) -> None:
    assert run("judge", tmp_path)[0] == 2


def test_company_limits_from_a_file(tmp_path: Path) -> None:
    at = visit_folder(tmp_path / "v1")
    limits = tmp_path / "company.json"
    limits.write_text('{"co_air_free_check": 15}')
    status, out, _ = run("judge", at, "--company-limits", limits, "--json")
    assert status == 1
    sources = {f["source"]["level"] for f in json.loads(out)["flags"] if f["source"]}
    assert sources == {"company"}


@pytest.mark.parametrize("rule", sorted(RULES))
def test_every_rule_is_explained(rule: str) -> None:
    status, out, _ = run("explain", rule)
    assert status == 0
    for label in ("Means", "Formula", "Default", "Source", "Usual causes", "Next step", "Silent"):
        assert f"{label}: " in out


def test_explain_lists_the_closed_list() -> None:
    status, out, _ = run("explain")
    assert status == 0 and [line.split("\t")[0] for line in out.splitlines()] == list(RULES)


def test_what_an_error_advises_to_state_can_be_stated(tmp_path: Path) -> None:
    file = tmp_path / "saved.csv"
    file.write_text("O2;CO;Stack temp\n5;1.234;310\n4;2.345;320\n")
    boiler = tmp_path / "boiler.json"
    boiler.write_text('{"fuel": "natural_gas"}')
    given = ["judge", file, "--boiler", boiler, "--unit", "stack_temperature=degF"]
    given += ["--lines", "2=100,as-left", "--lines", "3=25,as-left"]
    status, _, err = run(*given)
    assert status == 2 and "--decimal" in err
    assert run(*given, "--decimal", ".", "--json")[0] in (0, 1)  # 1.234 ppm
    assert run(*given, "--decimal", ",", "--json")[0] == 3  # 1234 ppm
    assert run(*given, "--unit", "stack_temperature")[0] == 64


def test_a_job_beside_the_visits_fills_each_and_one_in_the_folder_comes_first(
    tmp_path: Path,
) -> None:
    plant = tmp_path / "plant"
    for name in ("b1", "b2"):
        (plant / name).mkdir(parents=True)
        (plant / name / "boiler.json").write_text("{}")
        (plant / name / "visit.json").write_text("{}")
        (plant / name / "left.csv").write_text("O2 %,CO ppm,Firing rate %\n4.0,10,100\n")
    (plant / "job.toml").write_text(
        'people = ["A. Mayer"]\n[room_co]\narrival = 2\n[vent]\nspillage = "seen"\n'
    )
    (plant / "b2" / "job.toml").write_text('people = ["B. Ortiz"]\n')
    cases = {one.name: case_at(one.path) for one in visits_at(plant)}
    assert {name: c.visit.technician for name, c in cases.items()} == {
        "b1": "A. Mayer",
        "b2": "B. Ortiz",
    }
    assert "vent_spillage" in {f.rule for f in judge_case(cases["b1"]).flags}
    assert cases["b2"].visit.room_co == []
    (plant / "job.toml").write_text("people = [\n")
    with pytest.raises(DocumentError, match=r"job\.toml"):
        case_at(plant / "b1")
    (plant / "job.toml").write_text("persons = []\n")
    with pytest.raises(DocumentError, match="persons"):
        case_at(plant / "b1")
