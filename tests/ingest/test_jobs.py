"""Jobs in a book: entered once, used for every visit that is open, frozen at hand-in."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from uuid import UUID

import pytest

from ingest.bring.folder import bring_folder
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler, Instrument, RoomCo, Site, Visit
from ingest.service.job import Job, with_job
from ingest.service.models import Finding, InstalledPart, ServiceRecord, VentChecks
from ingest.service.parts import parts_before
from ingest.store import NotFound, StateConflict, VersionConflict
from ingest.store.reach import Reach, within
from tests.ingest.books import CLEAN, RATES, open_book, with_boiler, with_visit

SHARED = Job(
    people=["A. Mayer", "B. Ortiz"],
    on=date(2026, 3, 4),
    instrument=Instrument(name="I-7", serial="0042", leak_check=True),
    room_co=[RoomCo(value=2, when="arrival")],
    vent=VentChecks(spillage="seen", outlet_draft=-4.0),
)


def rules_of(intake: Intake, visit_id: UUID) -> set[str]:
    return {f.rule for f in intake.visit(visit_id).judgement.flags}


def put(intake: Intake, job: Job = SHARED, **more: object) -> Job:
    return intake.put_job(job.model_copy(update=more), "office").document


def test_a_stored_visit_states_every_field_and_yet_takes_what_its_job_shares() -> None:
    bare = Visit(service=ServiceRecord(vent=VentChecks()))
    stored = Visit.model_validate_json(bare.model_dump_json(exclude_none=True))
    whole = with_job(stored, SHARED)
    assert whole.instrument == SHARED.instrument
    assert whole.service is not None
    assert whole.service.vent == SHARED.vent


def test_a_visit_keeps_its_own_answers_and_another_instrument_shares_nothing() -> None:
    own = Instrument(serial="0042", fresh_air_zero=False)
    filled = with_job(Visit(instrument=own), SHARED).instrument
    assert (filled.name, filled.leak_check, filled.fresh_air_zero) == ("I-7", True, False)
    other = Instrument(serial="0099")
    assert with_job(Visit(instrument=other), SHARED).instrument == other
    left = Visit(room_co=[RoomCo(value=9, when="arrival"), RoomCo(value=3, when="leaving")])
    assert with_job(left, SHARED).room_co == left.room_co
    seen = Visit(service=ServiceRecord(vent=VentChecks(spillage="none")))
    record = with_job(seen, SHARED).service
    assert record is not None
    assert record.vent is not None
    assert (record.vent.spillage, record.vent.outlet_draft) == ("none", -4.0)


def test_water_fills_values_of_a_task_that_is_done_and_never_says_that_it_is() -> None:
    job = Job.model_validate({"water": [{"key": "ph", "value": 8.1, "unit": "pH"}]})

    def visit(outcome: str) -> Visit:
        tasks = [{"task": "water_quality", "outcome": outcome}]
        return Visit.model_validate({"service": {"tasks": tasks}})

    done = with_job(visit("done"), job).service
    assert done is not None
    assert [m.value for m in done.tasks[0].measured] == [8.1]
    assert with_job(visit("not_done"), job) == visit("not_done")
    assert with_job(Visit(), job) == Visit()


def test_open_visits_are_judged_again_when_their_job_changes_and_frozen_ones_never(
    tmp_path: Path,
) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        job = put(intake, site_id=boiler.site_id, vent=None)
        first, second = (with_visit(intake, boiler, job_id=job.id) for _ in range(2))
        for visit in (first, second):
            intake.add_file(visit, CLEAN, "boiler.csv", "T. Hale", statement=RATES)
        assert "vent_spillage" not in rules_of(intake, first)
        intake.hand_in(first, "T. Hale")
        version = intake.visit(second).version

        put(intake, id=job.id, site_id=boiler.site_id)
        assert "vent_spillage" in rules_of(intake, second)
        assert intake.visit(second).version == version + 1
        assert "vent_spillage" not in rules_of(intake, first)
        shared = intake.visit(first).job
        assert shared is not None
        assert shared.vent is None
        again = intake.judge_again(first, "office", "to see that it holds")
        assert "vent_spillage" not in {f.rule for f in again.judgement.flags}

        # Sent back, it is open again: its job counts as it stands today.
        intake.send_back(first, "office", "Look at the vent.")
        judgement, _ = intake.hand_in(first, "T. Hale")
        assert "vent_spillage" in {f.rule for f in judgement.flags}
        line = [t for t in intake.trail(first) if t["action"] == "handed_in"][-1]
        assert line["details"]["job"] == str(job.id)
        assert len(line["details"]["job_sha256"]) == 64
        assert book.verify() == []


def test_a_visit_without_a_service_part_owes_no_plan_because_of_its_job(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        job = put(intake, site_id=boiler.site_id)
        visit = with_visit(intake, boiler, job_id=job.id)
        assert {"vent_spillage"} <= rules_of(intake, visit)
        assert "task_missing" not in rules_of(intake, visit)


def test_the_same_job_again_changes_nothing_and_an_older_version_is_refused(
    tmp_path: Path,
) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        job = put(intake, site_id=boiler.site_id)
        assert job.id is not None
        assert intake.put_job(job, "office").version == 1
        changed = job.model_copy(update={"note": "Key at the porter's"})
        assert intake.put_job(changed, "office", expected_version=1).version == 2
        with pytest.raises(VersionConflict):
            intake.put_job(job, "office", expected_version=1)
        assert intake.job(job.id).document == changed
        assert intake.jobs(boiler.site_id) == [changed]
        assert intake.jobs(new_id()) == []
        with pytest.raises(NotFound):
            put(intake, site_id=new_id())


def test_a_job_is_of_one_plant(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        elsewhere = intake.put_site(Site(name="Quay"), "office").document
        job = put(intake, site_id=elsewhere.id)
        with pytest.raises(StateConflict, match="another site"):
            with_visit(intake, boiler, job_id=job.id)
        named = new_id()
        with_visit(intake, boiler, job_id=named)
        assert intake.job(named).document == Job(id=named)
        with pytest.raises(StateConflict, match="another site"):
            put(intake, id=named, site_id=elsewhere.id)


def test_a_job_out_of_reach_is_answered_as_not_there_and_shares_nothing(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake)
        job = put(intake, site_id=boiler.site_id)
        assert job.id is not None
        other = intake.put_site(Site(name="Quay"), "office").document
        assert other.id is not None
        unit = Boiler(name="Q-1", site_id=other.id)
        theirs = intake.put_boiler(unit, "office").document
        with within(Reach(frozenset({other.id}), "key")):
            assert intake.jobs() == []
            with pytest.raises(NotFound):
                intake.job(job.id)
            with pytest.raises(NotFound):
                put(intake, id=job.id, site_id=other.id)
            with pytest.raises(NotFound):
                with_visit(intake, theirs, job_id=job.id)
            with pytest.raises(NotFound):
                put(intake)
            made = put(intake, site_id=other.id)
            assert intake.jobs() == [made]


def test_findings_and_parts_of_long_ago_are_not_lost_behind_twenty_visits(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        boiler = with_boiler(intake, condensing=True)
        record = ServiceRecord(
            findings=[Finding(id="drain", text="Drain sags", opened=date(2001, 3, 4))]
        )
        for year in range(2001, 2026):
            visit = with_visit(
                intake,
                boiler,
                started=datetime(year, 3, 4, 8, tzinfo=UTC),
                service=record if year == 2001 else ServiceRecord(),
            )
            intake.add_file(visit, CLEAN, f"{year}.csv", "T. Hale", statement=RATES)
            intake.hand_in(visit, "T. Hale")
        now = with_visit(intake, boiler, service=ServiceRecord())
        assert "finding_open" in rules_of(intake, now)
        view = intake.visit(now)
        assert len(view.history) == 20
        assert len(view.before) == 25
        assert view.before[0].service == record


def test_the_boilers_own_list_and_visits_since_say_which_part_stands_in_it() -> None:
    listed = [InstalledPart(part="igniter", installed=date(2024, 1, 5), serial="old", starts=9)]
    task = {"task": "igniter", "outcome": "done"}
    replaced = [{"part": "igniter", "serial_after": "new"}, {"part": "gasket"}]
    visit = Visit.model_validate(
        {
            "started": "2025-02-01T08:00:00Z",
            "service": {
                "tasks": [{**task, "replaced": replaced}],
                "counters": {"running_hours": 500, "starts": 70},
            },
        }
    )
    gasket, igniter = parts_before(listed, [visit])
    assert (gasket.part, gasket.serial) == ("gasket", None)
    assert (igniter.serial, igniter.installed) == ("new", date(2025, 2, 1))
    assert (igniter.starts, igniter.running_hours) == (70, 500)
    newer = [listed[0].model_copy(update={"installed": date(2025, 8, 1)})]
    assert parts_before(newer, [visit])[1].serial == "old"


def test_folders_of_one_plant_bring_their_job_once_and_visits_keep_their_own_words(
    tmp_path: Path,
) -> None:
    plant = tmp_path / "mill-lane"
    for name in ("b1", "b2"):
        (plant / name).mkdir(parents=True)
        (plant / name / "boiler.json").write_text(f'{{"id": "{name}", "name": "{name}"}}')
        (plant / name / "visit.json").write_text(f'{{"id": "v-{name}", "started": "2026-03-04"}}')
        (plant / name / "left.csv").write_bytes(b"O2 %,CO ppm,Firing rate %\n4.0,10,100\n")
    (plant / "job.toml").write_text(
        'on = 2026-03-04\npeople = ["A. Mayer"]\n[vent]\nspillage = "seen"\n'
    )
    with open_book(tmp_path) as book:
        intake = Intake(book)
        brought = [
            bring_folder(intake, plant / name, "A. Mayer", {}).visit_id
            for name in ("b1", "b2", "b1")
        ]
        assert brought[0] == brought[2]
        (job,) = intake.jobs()
        assert job.external_id == "mill-lane 2026-03-04"
        for visit in brought[:2]:
            view = intake.visit(visit)
            assert view.visit.technician is None
            assert view.whole.technician == "A. Mayer"
            assert "vent_spillage" in rules_of(intake, visit)
        assert book.verify() == []
