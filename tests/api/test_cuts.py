"""A continuous log over HTTP: kept whole, cut by proposal, corrected by a person, then judged."""

from __future__ import annotations

import hashlib
from typing import Any
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from ingest.intake import Intake
from tests import logs
from tests.api.conftest import CSV

LOG = logs.as_csv(logs.made())
RATES = (25.0, 50.0, 50.0, 100.0, 75.0)


def hand_over(client: TestClient, visit: str, data: bytes = LOG, **fields: str) -> Any:
    return client.post(
        f"/v1/visits/{visit}/files",
        files={"file": ("log.csv", data, "text/csv")},
        data={"as_log": "true", **fields},
    )


def address(visit: str, cut: dict[str, Any]) -> str:
    return f"/v1/visits/{visit}/logs/{cut['id']}/cut"


def middle(segment: dict[str, Any]) -> float:
    return float(segment["start"] + segment["end"]) / 2


def plateaus(cut: dict[str, Any]) -> list[dict[str, Any]]:
    return [s for s in cut["segments"] if s["kind"] == "plateau"]


def named(cut: dict[str, Any], phase: str = "as_left") -> list[dict[str, Any]]:
    """Corrections that name every plateau's rate, and the phase of all."""
    found: list[dict[str, Any]] = [
        {"action": "rate", "at": middle(s), "rate": rate}
        for s, rate in zip(plateaus(cut), RATES, strict=True)
    ]
    return [*found, {"action": "phase", "phase": phase}]


@pytest.fixture
def cut(client: TestClient, visit: str) -> dict[str, Any]:
    answer = hand_over(client, visit)
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()["cut"]
    return found


def test_a_log_is_refused_as_snapshots_and_taken_as_log(client: TestClient, visit: str) -> None:
    files = {"file": ("log.csv", LOG, "text/csv")}
    assert client.post(f"/v1/visits/{visit}/files", files=files).status_code == 422
    answer = hand_over(client, visit)
    assert answer.status_code == 201
    assert answer.headers["location"] == address(visit, answer.json()["cut"])


def test_a_proposal_is_shown_and_judges_nothing(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    assert cut["format"] == "fluebook.cut/1"
    assert [s["kind"] for s in cut["segments"]] == [
        *("off", "purge", "plateau", "plateau", "air"),
        *("plateau", "plateau", "plateau", "off"),
    ]
    assert {s["rate_basis"] for s in plateaus(cut)} == {"proposed"}
    assert [s["firing_rate"] for s in plateaus(cut)] == list(RATES)  # right, and still no more
    assert all(s["waits_for"] == ["firing_rate", "phase"] for s in plateaus(cut))
    seen = client.get(f"/v1/visits/{visit}").json()
    assert seen["points"] == []
    assert [f["name"] for f in seen["files"]] == ["log.csv"]


def test_a_mere_proposal_cannot_be_confirmed_away(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    there = address(visit, cut)
    phase = {"corrections": [{"action": "phase", "phase": "as_left"}]}
    assert client.post(there, json=phase).status_code == 200
    answer = client.post(f"{there}/confirm", json={})
    assert answer.status_code == 422
    assert "more than a proposal" in answer.json()["detail"]
    assert client.get(f"/v1/visits/{visit}").json()["points"] == []


def test_corrected_and_confirmed_the_plateaus_are_judged_points(
    client: TestClient, visit: str, cut: dict[str, Any], intake: Intake
) -> None:
    there = address(visit, cut)
    first = plateaus(cut)[0]
    move = {"action": "move", "at": first["end"], "to": first["end"] - 20}
    new = client.post(
        there, json={"corrections": [move, *named(cut)]}, headers={"fluebook-who": "T. One"}
    ).json()
    assert plateaus(new)[0]["end"] == first["end"] - 20
    assert plateaus(new)[1]["start"] == first["end"] - 20
    assert new["waiting"] == 0
    done = client.post(
        f"{there}/confirm", json={"corrections": 7}, headers={"fluebook-who": "T. One"}
    )
    assert done.status_code == 200, done.text
    body = done.json()
    # The two stays at 50 % have only fresh air in the probe between them: one point.
    assert [(p["firing_rate"], p["pass"], p["phase"]) for p in body["points"]] == [
        (25.0, 1, "as_left"),
        (50.0, 1, "as_left"),
        (100.0, 1, "as_left"),
        (75.0, 1, "as_left"),
    ]
    assert {p["rate_basis"] for p in body["points"]} == {"confirmed"}
    assert body["cut"]["confirmed"]["is_the_present_cut"] is True
    # The truth that the log was made from, within what a log of three minutes can tell.
    truth = {s.firing_rate: s.values for s in logs.made().truth if s.kind == "fire"}
    for point in body["points"]:
        for key, within in (("o2_dry", 0.15), ("stack_temperature", 2.5)):
            wanted = truth[point["firing_rate"]][key]
            assert point["values"][key]["mean"] == pytest.approx(wanted, abs=within)
    seen = client.get(f"/v1/visits/{visit}").json()
    assert seen["points"] == body["points"]
    assert seen["judgement"] == body["judgement"]
    actions = [line["action"] for line in intake.trail(UUID(visit))]
    assert actions[-3:] == ["file_added", "cut_corrected", "cut_confirmed"]
    assert intake.trail(UUID(visit))[-1]["who"] == "T. One"
    assert intake.book.verify() == []


def test_the_evidence_is_the_same_bytes_after_every_correction(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    there = address(visit, cut)
    client.post(there, json={"corrections": named(cut)})
    client.post(f"{there}/confirm", json={})
    sha256 = hashlib.sha256(LOG).hexdigest()
    assert cut["file"]["sha256"] == sha256
    assert client.get(f"/v1/evidence/{sha256}").content == LOG


def test_a_later_correction_waits_until_it_is_confirmed(
    client: TestClient, visit: str, cut: dict[str, Any], intake: Intake
) -> None:
    there = address(visit, cut)
    client.post(there, json={"corrections": named(cut)})
    client.post(f"{there}/confirm", json={})
    drop = {"action": "drop", "at": middle(plateaus(cut)[0]), "why": "the door stood open"}
    changed = client.post(there, json={"corrections": [drop]}).json()
    assert changed["confirmed"]["is_the_present_cut"] is False
    rates = [p["firing_rate"] for p in client.get(f"/v1/visits/{visit}").json()["points"]]
    assert rates == [25.0, 50.0, 100.0, 75.0]  # still the confirmed one
    again = client.post(f"{there}/confirm", json={}).json()
    assert [p["firing_rate"] for p in again["points"]] == [50.0, 100.0, 75.0]
    assert intake.book.verify() == []
    version = client.get(there).headers["etag"]
    repeated = client.post(f"{there}/confirm", json={})
    assert repeated.json()["points"] == again["points"]
    assert client.get(there).headers["etag"] == version  # a repeat writes nothing


def test_corrections_only_grow_and_undo_is_one_of_them(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    there = address(visit, cut)
    drop = {"action": "drop", "at": middle(plateaus(cut)[0])}
    assert client.post(there, json={"corrections": [drop]}).json()["plateaus"] == 4
    back = client.post(there, json={"corrections": [{"action": "undo"}]}).json()
    assert back["segments"] == cut["segments"]
    assert [c["action"] for c in back["corrections"]] == ["drop", "undo"]
    nothing = client.post(there, json={"corrections": [{"action": "undo"}]})
    assert nothing.status_code == 422
    assert "no correction to take back" in nothing.json()["detail"]


def test_a_repeat_is_harmless_and_two_people_do_not_overwrite_each_other(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    there = address(visit, cut)
    drop = {"action": "drop", "at": middle(plateaus(cut)[0])}
    other = {"action": "drop", "at": middle(plateaus(cut)[1])}
    for _ in range(2):
        assert (
            len(client.post(there, json={"corrections": [drop], "after": 0}).json()["corrections"])
            == 1
        )
        assert len(client.put(there, json={"corrections": [drop]}).json()["corrections"]) == 1
    conflict = client.post(there, json={"corrections": [other], "after": 0})
    assert conflict.status_code == 409
    assert client.put(there, json={"corrections": []}).status_code == 409  # nothing is taken out
    assert client.put(there, json={"corrections": [drop, other]}).json()["plateaus"] == 3


@pytest.mark.parametrize(
    ("correction", "words"),
    [
        ({"action": "move", "at": 312, "to": 2}, "can move between"),
        ({"action": "rate", "at": 200}, "0 to 110 percent"),
        ({"action": "rate", "at": 30, "rate": 50}, "no plateau to name"),
        ({"action": "drop"}, "needs the time"),
        ({"action": "drop", "at": 99999}, "outside the log"),
        ({"action": "phase"}, "as_found, trial or as_left"),
        ({"action": "rate", "at": 200, "rate": 140}, "less than or equal to 110"),
        ({"action": "paint", "at": 200}, "move"),
        ({"action": "drop", "at": 200, "colour": 1}, "Extra inputs"),
    ],
)
def test_a_correction_that_does_not_fit_is_refused_and_none_is_kept(
    client: TestClient, visit: str, cut: dict[str, Any], correction: dict[str, Any], words: str
) -> None:
    there = address(visit, cut)
    good = {"action": "drop", "at": middle(plateaus(cut)[0])}
    answer = client.post(there, json={"corrections": [good, correction]})
    assert answer.status_code == 422
    assert words in answer.text
    assert client.get(there).json()["corrections"] == []


def test_a_log_without_plateau_says_so_and_can_still_be_looked_at(
    client: TestClient, visit: str
) -> None:
    cut = hand_over(client, visit, logs.as_csv(logs.made(logs.COLD))).json()["cut"]
    assert cut["plateaus"] == 0
    assert client.post(f"{address(visit, cut)}/confirm", json={}).status_code == 422
    assert client.get(f"/v1/visits/{visit}").json()["points"] == []


def test_a_recorded_firing_rate_needs_only_the_phase(client: TestClient, visit: str) -> None:
    data = logs.as_csv(logs.made(), rate=True)
    cut = hand_over(client, visit, data, phase="as-left").json()["cut"]
    assert {s["rate_basis"] for s in plateaus(cut)} == {"file"}
    assert {s["phase_basis"] for s in plateaus(cut)} == {"stated"}
    body = client.post(f"{address(visit, cut)}/confirm", json={}).json()
    assert [p["firing_rate"] for p in body["points"]] == [25.0, 50.0, 100.0, 75.0]
    assert {p["rate_basis"] for p in body["points"]} == {"file"}


def test_as_found_and_as_left_come_from_the_adjustment_that_the_log_shows(
    client: TestClient, visit: str
) -> None:
    data = logs.as_csv(logs.made(logs.ADJUSTED), rate=True)
    cut = hand_over(client, visit, data).json()["cut"]
    assert [(s["phase"], s["phase_basis"]) for s in plateaus(cut)] == [
        ("as_found", "log"),
        ("as_found", "log"),
        ("as_left", "log"),
        ("as_left", "log"),
    ]


def test_carbon_monoxide_beyond_the_sensor_stays_beyond_it(client: TestClient, visit: str) -> None:
    made = logs.made()
    made.columns["co_dry"][700:] += 5000.0
    data = logs.as_csv(made, rate=True, over_range=2000.0)
    cut = hand_over(client, visit, data, phase="as_left").json()["cut"]
    body = client.post(f"{address(visit, cut)}/confirm", json={}).json()
    high = next(p for p in body["points"] if p["firing_rate"] == 100.0)
    assert high["bounds"]["co_dry"]["above"] == 2000.0
    assert body["judgement"]["worst"] == "stop"


def test_a_snapshot_file_and_a_log_stand_side_by_side(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    there = address(visit, cut)
    files = {"file": ("readings.csv", CSV, "text/csv")}
    given = {"rates": "100,25", "phase": "as_found"}
    assert client.post(f"/v1/visits/{visit}/files", files=files, data=given).status_code == 201
    client.post(there, json={"corrections": named(cut)})
    points = client.post(f"{there}/confirm", json={}).json()["points"]
    assert sorted((p["phase"], p["firing_rate"]) for p in points) == [
        ("as_found", 25.0),
        ("as_found", 100.0),
        *(("as_left", r) for r in (25.0, 50.0, 75.0, 100.0)),
    ]


def test_what_does_not_go_together_is_refused(client: TestClient, visit: str) -> None:
    assert hand_over(client, visit, rates="100,50").status_code == 422
    assert hand_over(client, visit, response_time="soon").status_code == 422
    untimed = hand_over(client, visit, CSV)
    assert untimed.status_code == 422
    assert "no times of day" in untimed.text
    first, again = hand_over(client, visit), hand_over(client, visit)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json()["already_there"] is True
    assert hand_over(client, visit, phase="as_left").status_code == 409


def test_a_finished_visit_keeps_its_cut(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    there = address(visit, cut)
    client.post(there, json={"corrections": named(cut)})
    client.post(f"{there}/confirm", json={})
    client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"})
    drop = {"action": "drop", "at": middle(plateaus(cut)[0])}
    assert client.post(there, json={"corrections": [drop]}).status_code == 409
    assert client.get(there).status_code == 200


def test_a_log_is_found_under_its_own_visit_only(
    client: TestClient, visit: str, cut: dict[str, Any]
) -> None:
    other = "01900000-0000-7000-8000-000000000000"
    assert client.get(f"/v1/visits/{other}/logs/{cut['id']}/cut").status_code == 404
    assert client.get(f"/v1/visits/{visit}/logs/{other}/cut").status_code == 404


def test_readings_of_a_log_are_corrected_by_its_cut(
    client: TestClient, visit: str, cut: dict[str, Any], intake: Intake
) -> None:
    from ingest.store import StateConflict

    there = address(visit, cut)
    client.post(there, json={"corrections": named(cut)})
    client.post(f"{there}/confirm", json={})
    kept = intake.visit(UUID(visit)).readings[0]
    with pytest.raises(StateConflict, match="correct the cut"):
        intake.supersede_reading(kept.id, None, "T. One", "typed wrong")
    intake.withdraw_file(UUID(visit), UUID(cut["id"]), "T. One", "the wrong boiler")
    assert client.get(f"/v1/visits/{visit}").json()["points"] == []
    assert client.get(there).status_code == 404
