"""A plan tried before it is kept: the answer is what keeping it and judging again really gives."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from api.due_list import due_in_book
from ingest.intake import Intake
from ingest.judgement import Flag
from ingest.plans_tried import PlanTrial
from ingest.service.due import Due
from ingest.service.kept import boiler_history
from ingest.service.models import Value
from ingest.service.office import SHIPPED, office_plans
from ingest.service.plans import Plan, PlanTest, parse_plan
from ingest.service.taking_in import taken_in
from samples.service import filled_document
from tests.ingest.books import CLEAN, RATES, open_book, with_boiler, with_visit

PLANS = office_plans(SHIPPED)
YEARLY, DEEP = PLANS["condensing-gas-yearly"], PLANS["condensing-gas-two-yearly"]
START = datetime(2026, 3, 4, 8, tzinfo=UTC)
TODAY = date(2026, 3, 4)


def newer(plan: Plan, **update: object) -> Plan:
    return plan.model_copy(update={"version": "2027.1", **update})


def with_task(plan: Plan, key: str, **update: object) -> Plan:
    task = [t.model_copy(update=update) if t.key == key else t for t in plan.task]
    return newer(plan, task=task)


def with_ranges_halved(plan: Plan) -> Plan:
    """Return the plan with both ends of every range cut to half."""
    task = []
    for one in plan.task:
        record = [
            r
            if r.high is None or r.low is None
            else r.model_copy(update={"high": r.high / 2, "low": r.low / 2})
            for r in one.record
        ]
        task.append(one.model_copy(update={"record": record}))
    return newer(plan, task=task)


def extra(plan: Plan, **update: object) -> Plan:
    task = plan.task[0].model_copy(update={"key": "room_vents", "after": [], **update})
    return newer(plan, task=[*plan.task, task])


CHANGES: Mapping[str, Any] = {
    "a mandatory task more": extra,
    "a task fewer": lambda p: newer(p, task=[t for t in p.task if t.key != "burner_head"]),
    "ranges halved": with_ranges_halved,
    "a test more": lambda p: newer(
        p, test=[*p.test, PlanTest(device="spill_switch", interval_months=12)]
    ),
    "no tests": lambda p: newer(p, test=[]),
    "a tighter tolerance": lambda p: newer(
        p,
        test=[
            t.model_copy(update={"tolerance": Value(value=0.1, unit="K")})
            if t.device == "high_limit"
            else t
            for t in p.test
        ],
    ),
    "more often": lambda p: with_task(p, "burner_head", interval_months=6),
    "less often": lambda p: with_task(p, "burner_head", interval_months=36),
    "parts last longer": lambda p: newer(
        p, part=[x.model_copy(update={"life_months": 90, "life_hours": None}) for x in p.part]
    ),
    "another title": lambda p: newer(p, title="Another"),
}


def handed_in(intake: Intake, record: dict[str, Any], plan: Plan, when: datetime = START) -> UUID:
    boiler = with_boiler(
        intake, condensing=True, plans=[plan.key], installed=date(2024, 1, 15), fuel="natural_gas"
    )
    visit = with_visit(intake, boiler, service=record, started=when)
    intake.add_file(visit, CLEAN, "boiler.csv", "T. Hale", statement=RATES)
    intake.hand_in(visit, "T. Hale")
    return visit


def unversioned(plan: Plan) -> dict[str, Any]:
    """Return a record held to the newest version of its boiler's only plan."""
    record = filled_document(plan, START)
    del record["plan"], record["plan_version"]
    return record


def known(intake: Intake) -> dict[str, Plan]:
    return {**PLANS, **intake.plans()}


def both_ways(trial: PlanTrial) -> dict[UUID | None, tuple[list[Flag], list[Flag]]]:
    return {t.visit.id: (list(t.before), list(t.after)) for t in trial.findings.tried}


def days(items: list[Due], until: date) -> dict[Any, date]:
    return {
        (i.place, i.kind, i.plan, i.key): i.on
        for i in items
        if i.kind != "finding" and i.on <= until
    }


def due_by(intake: Intake, until: date = TODAY) -> dict[Any, date]:
    return days(list(due_in_book(intake, until, known(intake)).items), until)


@pytest.mark.parametrize("name", CHANGES)
def test_a_trial_is_what_keeping_the_plan_and_judging_again_gives(
    tmp_path: Path, name: str
) -> None:
    plan = CHANGES[name](DEEP)
    with open_book(tmp_path) as book:
        intake = Intake(book)
        intake.put_plan(DEEP, "office")
        lacking = unversioned(DEEP)
        lacking["tasks"] = [t for t in lacking["tasks"] if t["task"] != "burner_gasket"]
        visits = [handed_in(intake, record, DEEP) for record in (unversioned(DEEP), lacking)]
        before = {v: list(intake.visit(v).judgements[-1].judgement.flags) for v in visits}
        lines, was = intake.trail_lines(most=1), due_by(intake)
        trial = intake.try_plan(plan, known(intake))
        assert intake.trail_lines(most=1) == lines
        assert intake.plans() == {DEEP.key: DEEP}

        assert intake.keep_plan(plan, "office", known(intake)).fresh
        after = {
            v: list(intake.judge_again(v, "office", "a new plan").judgement.flags) for v in visits
        }
        assert both_ways(trial) == {v: (before[v], after[v]) for v in visits}
        assert (trial.findings.finished, trial.elsewise) == (2, 0)
        for tried in trial.findings.tried:
            ids = {f.id: f.severity for f in after[tried.visit.id]}
            had = {f.id: f.severity for f in before[tried.visit.id]}
            assert {f.id for f in tried.new} == {i for i in ids if had.get(i) != ids[i]}
            assert {f.id for f in tried.gone} == {i for i in had if ids.get(i) != had[i]}

        becomes = due_by(intake)
        due = trial.due
        assert (due.today, due.boilers, due.looked) == (TODAY, 2, 2)

        def told(shifts: Any) -> set[Any]:
            return {(s.item.place, s.item.kind, s.item.plan, s.item.key) for s in shifts}

        assert told(due.newly) == becomes.keys() - was.keys()
        assert told(due.no_longer) == was.keys() - becomes.keys()
        both = {k for k in becomes.keys() & was.keys() if becomes[k] != was[k]}
        assert told(s for s in due.moved if s.after and s.after <= TODAY) == both


def test_changes_of_a_plan_do_change_something(tmp_path: Path) -> None:
    """Each of the changes above but the title moves a finding or a day: else it would prove none"""
    with open_book(tmp_path) as book:
        intake = Intake(book)
        intake.put_plan(DEEP, "office")
        handed_in(intake, unversioned(DEEP), DEEP)
        for name, change in CHANGES.items():
            trial = intake.try_plan(change(DEEP), known(intake))
            (tried,) = trial.findings.tried
            moved = (*trial.due.newly, *trial.due.no_longer, *trial.due.moved)
            changes = bool(tried.new or tried.gone or moved)
            assert changes == (name != "another title"), name


def test_visits_that_followed_a_version_are_judged_as_if_they_had_followed_the_new_one(
    tmp_path: Path,
) -> None:
    plan = extra(DEEP)
    flags = []
    for version, name in ((DEEP.version, "one.db"), (plan.version, "other.db")):
        with open_book(tmp_path, name) as book:
            intake = Intake(book)
            for held in (DEEP, plan):
                intake.put_plan(held, "office")
            record = filled_document(DEEP, START) | {"plan_version": version}
            visit = handed_in(intake, record, DEEP)
            flags.append(list(intake.visit(visit).judgements[-1].judgement.flags))
    with open_book(tmp_path, "third.db") as book:
        intake = Intake(book)
        intake.put_plan(DEEP, "office")
        visit = handed_in(intake, filled_document(DEEP, START), DEEP)
        trial = intake.try_plan(plan, known(intake))
        assert both_ways(trial) == {visit: (flags[0], flags[1])}
        (tried,) = trial.findings.tried
        assert [f.id for f in tried.new] == ["task_missing:room_vents"]
        # Once it is kept, the same visit followed another version than the present one.
        intake.keep_plan(plan, "office", known(intake))
        again = intake.try_plan(with_ranges_halved(plan), known(intake))
        assert again.elsewise == 1
        assert list(again.findings.tried[0].before) == flags[1]


def test_only_visits_that_followed_the_plan_count_before_the_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        intake.put_plan(DEEP, "office")
        intake.put_plan(PLANS["call-out"], "office")
        old = handed_in(intake, filled_document(DEEP, START), DEEP, START - timedelta(days=40))
        mid = handed_in(intake, unversioned(DEEP), DEEP, START - timedelta(days=20))
        called = filled_document(PLANS["call-out"], START)
        handed_in(intake, called, DEEP, START - timedelta(days=9))
        handed_in(intake, unversioned(DEEP), PLANS["call-out"], START - timedelta(days=8))
        for day in range(1, 6):
            boiler = with_boiler(intake, plans=[DEEP.key])
            plain = with_visit(intake, boiler, started=START - timedelta(days=day))
            intake.add_file(plain, CLEAN, "boiler.csv", "T. Hale", statement=RATES)
            intake.hand_in(plain, "T. Hale")
        handed_in(intake, filled_document(DEEP, START), DEEP, START - timedelta(days=400))
        open_one = with_boiler(intake, plans=[DEEP.key])
        with_visit(intake, open_one, service=filled_document(DEEP, START))
        monkeypatch.setattr("ingest.intake_service.MOST_TRIED", 2)
        trial = intake.try_plan(extra(DEEP), known(intake))
        assert [t.visit.id for t in trial.findings.tried] == [mid, old]
        monkeypatch.setattr("ingest.intake_service.MOST_TRIED", 1)
        trial = intake.try_plan(extra(DEEP), known(intake))
        assert [t.visit.id for t in trial.findings.tried] == [mid]
        assert trial.findings.finished == 2
        none = intake.try_plan(extra(DEEP), known(intake), until=date(2024, 1, 1))
        assert none.findings.tried == []


def test_a_plan_that_includes_it_takes_it_in_under_a_version_of_its_own(tmp_path: Path) -> None:
    plan = extra(with_task(YEARLY, "burner_head", interval_months=6))
    with open_book(tmp_path) as book:
        intake = Intake(book)
        for held in (YEARLY, DEEP):
            intake.put_plan(held, "office")
        visit = handed_in(intake, unversioned(DEEP), DEEP)
        before = list(intake.visit(visit).judgements[-1].judgement.flags)
        was = due_by(intake)
        trial = intake.try_plan(plan, known(intake))
        (into,) = trial.into
        assert (into.before, into.plan.version) == (DEEP, f"{DEEP.version}+2027.1")
        kept = intake.keep_plan(plan, "office", known(intake))
        assert [t.plan for t in kept.into] == [into.plan]
        assert intake.plans() == {YEARLY.key: plan, DEEP.key: into.plan}
        after = list(intake.judge_again(visit, "office", "a new plan").judgement.flags)
        assert both_ways(trial) == {visit: (before, after)}
        assert "task_missing:room_vents" in {f.id for f in after}
        becomes = due_by(intake)
        newly = {(s.item.place, s.item.kind, s.item.plan, s.item.key) for s in trial.due.newly}
        assert newly == becomes.keys() - was.keys()
        # It is not taken in a second time, and an unchanged plan changes no other.
        assert not intake.keep_plan(plan, "office", known(intake)).fresh
        assert intake.try_plan(plan, known(intake)).into == []
        assert book.verify() == []


def test_what_is_taken_in_is_what_its_own_text_would_give() -> None:
    """Against the reader of plans: the including file read anew beside the changed plan."""
    text = (SHIPPED / "condensing-gas-two-yearly.toml").read_text("utf-8")
    for name in ("a task fewer", "ranges halved", "no tests", "more often"):
        plan = CHANGES[name](YEARLY)
        if name == "a task fewer":  # the two-yearly's gasket comes after that task
            (refused,) = taken_in(plan, PLANS, [])
            assert refused.plan == DEEP
            assert "no task 'burner_head' in this plan" in refused.problems[0]
            continue
        (one,) = taken_in(plan, PLANS, [])
        read = parse_plan(text, "plan.toml", included={**PLANS, YEARLY.key: plan})
        assert one.plan.model_copy(update={"version": read.version}) == read, name
    (one,) = taken_in(extra(YEARLY), PLANS, [])
    read = parse_plan(text, "plan.toml", included={**PLANS, YEARLY.key: extra(YEARLY)})
    assert one.plan.model_copy(update={"version": read.version}) == read


def test_a_chain_of_plans_takes_a_change_in_and_circles_end() -> None:
    third = DEEP.model_copy(update={"key": "third", "includes": [DEEP.key]})
    found = taken_in(extra(YEARLY), {**PLANS, "third": third}, [])
    assert [t.plan.key for t in found] == [DEEP.key, "third"]
    assert all(t.plan.task_of("room_vents") for t in found)
    circle = extra(YEARLY).model_copy(update={"includes": [DEEP.key]})
    assert [t.plan.key for t in taken_in(circle, PLANS, [])] == [DEEP.key]


def test_a_new_plan_is_tried_on_the_boilers_it_would_keep(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        intake = Intake(book)
        plan = DEEP.model_copy(update={"key": "deep-own", "version": "1"})
        # A boiler may name a plan before it is there; its due list is empty until then.
        visit = handed_in(intake, unversioned(DEEP), plan)
        before = list(intake.visit(visit).judgements[-1].judgement.flags)
        was = due_by(intake)
        trial = intake.try_plan(plan, known(intake))
        intake.keep_plan(plan, "office", known(intake))
        after = list(intake.judge_again(visit, "office", "a plan came").judgement.flags)
        assert both_ways(trial) == {visit: (before, after)}
        assert len(trial.due.newly) == len(due_by(intake).keys() - was.keys()) > 0


@pytest.mark.parametrize("installed", [None, date(2020, 5, 1)])
def test_a_history_of_served_visits_is_that_of_all(tmp_path: Path, installed: date | None) -> None:
    """What is read of a long life gives the same history as every finished visit of it."""
    at_home = timezone(timedelta(hours=-5))
    with open_book(tmp_path) as book:
        intake = Intake(book)
        intake.put_plan(DEEP, "office")
        boiler = with_boiler(intake, plans=[DEEP.key], installed=installed)
        assert boiler.id is not None
        # The first one ends on a day that is already another one in UTC.
        late = datetime(2025, 3, 3, 20, tzinfo=at_home)
        for days, record in ((0, None), (30, filled_document(DEEP, late)), (60, None)):
            started = late + timedelta(days=days)
            facts = {"started": started, "ended": started + timedelta(hours=3), "service": record}
            visit = with_visit(intake, boiler, **facts)
            intake.add_file(visit, CLEAN, "boiler.csv", "T. Hale", statement=RATES)
            intake.hand_in(visit, "T. Hale")
        with_visit(intake, boiler, started=late - timedelta(days=300))  # open: it does not count
        every = [r.visit for r in intake.boiler_visits(boiler.id) if r.state == "handed_in"]
        assert len(every) == 3
        first, served = intake.served_visits(boiler.id)
        assert (first, len(served)) == (date(2025, 3, 3), 1)
        whole = boiler_history(boiler, every, PLANS)
        assert boiler_history(boiler, served, PLANS, first=first) == whole
        assert whole is not None
        assert whole.installed == (installed or date(2025, 3, 3))
