"""What is due, against an independent calculation with dateutil over 1,000 random histories."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from dateutil.relativedelta import relativedelta
from dateutil.rrule import MONTHLY, rrule

from ingest.service.calendar import calendar
from ingest.service.due import (
    BoilerHistory,
    TaskDone,
    due,
    no_longer_due,
    pick_list,
    readings_wanted,
)
from ingest.service.intervals import CounterReading
from ingest.service.models import Finding
from ingest.service.plans import Plan, read_plans

PLANS = read_plans(Path(__file__).parents[3] / "samples" / "plans")
YEARLY = PLANS["condensing-gas-yearly"]
TWO_YEARLY = PLANS["condensing-gas-two-yearly"]


def plan_with(tasks: list[dict[str, object]]) -> Plan:
    return Plan.model_validate(
        {
            "format": "fluebook.plan/1",
            "key": "random",
            "version": "1",
            "title": "Random",
            "purpose": "yearly",
            "fuels": ["natural_gas"],
            "jurisdiction_note": "The place decides.",
            "task": [
                {"title": "t", "where": "w", "what": "x", "why": "y", **task} for task in tasks
            ],
        }
    )


def independent_day(
    last: date, months: int | None, hours: float | None, rate: float
) -> date | None:
    """Calculate with dateutil's own calendar; the counter runs at one steady rate."""
    days = []
    if months is not None:
        days.append(last + relativedelta(months=months))
    if hours is not None and rate > 0:
        # Step day by day: slow, and of another kind than the program's solver.
        gained, day = 0.0, last
        while gained < hours - 1e-9:
            day += timedelta(days=1)
            gained = rate * (day - last).days
        days.append(day)
    return min(days, default=None)


def test_due_agrees_with_dateutil_over_a_thousand_random_histories() -> None:
    rng = random.Random(20261125)
    compared = 0
    for _ in range(1000):
        installed = date(2015, 1, 1) + timedelta(days=rng.randint(0, 3000))
        rate = float(rng.choice([0, 2, 5, 8, 12, 24]))
        log = [
            CounterReading(installed + timedelta(days=d), rate * d)
            for d in (0, rng.randint(30, 900), rng.randint(901, 4000))
        ]
        tasks, done, wanted = [], [], {}
        until = date(2027, 1, 1) + timedelta(days=rng.randint(-900, 900))
        for n in range(rng.randint(1, 6)):
            key = f"task_{n}"
            months = rng.choice([None, 1, 3, 6, 12, 18, 24, 36])
            hours = rng.choice([None, None, 500.0, 2000.0, 8000.0])
            tasks.append({"key": key, "interval_months": months, "interval_hours": hours})
            days = [
                installed + timedelta(days=rng.randint(0, 4200)) for _ in range(rng.randint(0, 5))
            ]
            if rng.random() < 0.3:
                days.append(date(2024, 2, 29))
            if rng.random() < 0.3:
                days.append(date(2025, rng.choice([1, 3, 5, 8, 10, 12]), 31))
            days = [d for d in days if d >= installed]
            done += [TaskDone("task", key, d) for d in days]
            day = independent_day(max(days, default=installed), months, hours, rate)
            if day is not None and day <= until:
                wanted[key] = day
        rng.shuffle(done)
        history = BoilerHistory("b", [plan_with(tasks)], installed, done, log)
        assert {d.key: d.on for d in due([history], until)} == wanted
        compared += len(wanted)
    assert compared > 1000


def test_a_yearly_chain_from_the_first_agrees_with_a_recurrence_rule() -> None:
    # dateutil's rrule drops months without the day, so the chain starts on a day all months have.
    day = date(2026, 1, 28)
    rule = rrule(MONTHLY, interval=7, dtstart=datetime(2026, 1, 28), count=20)  # noqa: DTZ001
    plan = plan_with([{"key": "a", "interval_months": 7}])
    for expected in list(rule)[1:]:
        found = due([BoilerHistory("b", [plan], day)], date(2100, 1, 1))
        assert found[0].on == expected.date()
        day = found[0].on


def test_a_two_yearly_visit_counts_for_the_yearly_plan_and_not_the_other_way() -> None:
    plans = [YEARLY, TWO_YEARLY]
    installed = date(2024, 5, 1)
    deep = [TaskDone("task", t.key, date(2026, 5, 1), TWO_YEARLY.key) for t in TWO_YEARLY.task]
    after = due([BoilerHistory("b", plans, installed, deep)], date(2027, 4, 30))
    assert [d for d in after if d.kind == "task"] == []
    yearly = [TaskDone("task", t.key, date(2026, 5, 1), YEARLY.key) for t in YEARLY.task]
    left = due([BoilerHistory("b", plans, installed, yearly)], date(2026, 5, 2))
    probe = [d for d in left if d.kind == "task" and d.key == "low_water_probe"]
    assert [(d.plan, d.on) for d in probe] == [(TWO_YEARLY.key, date(2026, 5, 1))]


def test_parts_are_summed_for_each_van_and_kit_and_counted_once_for_a_boiler() -> None:
    boilers = [
        BoilerHistory(f"b{n}", [YEARLY, TWO_YEARLY], date(2024, 5, 1), van=f"van {n % 2}")
        for n in range(3)
    ]
    items = due(boilers, date(2026, 6, 1))
    picks = {(p.van, p.part): p.quantity for p in pick_list(items, PLANS)}
    assert picks[("van 0", "low_water_probe")] == 2
    assert picks[("van 1", "low_water_probe")] == 1
    assert picks[("van 0", "igniter_seal")] == 4
    assert {p.kit for p in pick_list(items, PLANS) if p.part == "trap_seals"} == {"two-yearly kit"}


def test_boilers_of_one_name_at_two_plants_are_two_boilers() -> None:
    boilers = [
        BoilerHistory(
            "Boiler 1", [YEARLY, TWO_YEARLY], date(2024, 5, 1), van="v", site=site, boiler_id=site
        )
        for site in ("Mill Lane", "Quay")
    ]
    items = due(boilers, date(2026, 6, 1))
    picks = {p.part: p.quantity for p in pick_list(items, PLANS)}
    assert picks["low_water_probe"] == 2
    assert len(readings_wanted(items, PLANS)) == 2
    text = calendar(items, datetime(2026, 11, 25, 9, 0, tzinfo=UTC)).decode()
    assert text.count("LOCATION:Mill Lane") == text.count("LOCATION:Quay") > 0
    uids = [line for line in text.splitlines() if line.startswith("UID:")]
    assert len(uids) == len(set(uids)) == len(items)


def test_open_findings_and_wanted_readings_are_told() -> None:
    finding = Finding(id="f1", text="Drain sags", opened=date(2026, 3, 1))
    history = BoilerHistory("b", [YEARLY], date(2026, 1, 1), findings=[finding])
    items = due([history], date(2027, 1, 31))
    assert [i.title for i in items if i.kind == "finding"] == ["Drain sags"]
    assert "o2_dry" in readings_wanted(items, PLANS)[("", "b", "")]


def test_a_part_whose_counter_is_not_known_says_so() -> None:
    items = due([BoilerHistory("b", [YEARLY], date(2024, 1, 1))], date(2026, 1, 1))
    igniter = next(i for i in items if i.kind == "part" and i.key == "igniter")
    assert igniter.not_computed is not None
    assert "starts" in igniter.not_computed


def test_the_calendar_is_folded_escaped_and_the_same_each_time() -> None:
    history = BoilerHistory(
        "Kessel\x1b Süd, 2; groß", [YEARLY], date(2025, 2, 28), site="Hütte 7, Hof; hinten"
    )
    items = due([history], date(2027, 12, 31))
    stamp = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
    text = calendar(items, stamp)
    assert text == calendar(list(items), stamp)
    lines = text.decode().split("\r\n")
    assert lines[0] == "BEGIN:VCALENDAR"
    assert lines[-2:] == ["END:VCALENDAR", ""]
    assert all(len(line.encode()) <= 75 for line in lines)
    whole = text.decode().replace("\r\n ", "")
    assert "\x1b" not in whole and "SUMMARY:Kessel  Süd\\, 2\\; groß" in whole
    assert whole.count("BEGIN:VEVENT") == len(items)
    assert "DTSTART;VALUE=DATE:20260228" in whole


def entries(text: bytes) -> dict[str, dict[str, str]]:
    """Return the properties of each entry by its UID."""
    whole = text.decode().replace("\r\n ", "")
    found = {}
    for block in whole.split("BEGIN:VEVENT\r\n")[1:]:
        lines = block.split("END:VEVENT")[0].split("\r\n")
        held = dict(line.partition(":")[::2] for line in lines if line)
        found[held["UID"]] = {k.partition(";")[0]: v for k, v in held.items()}
    return found


def test_a_moved_day_moves_the_entry_and_makes_no_second_one() -> None:
    # RFC 5545, 3.8.7.4 (read): SEQUENCE grows monotonically with each significant revision, such as
    # another DTSTART. From memory: 3.8.4.7, a UID is one component's for good; 3.8.1.11, STATUS;
    # 3.8.7.2, DTSTAMP in UTC is the last revision where there is no METHOD.
    first, stamp = date(2025, 3, 1), datetime(2026, 4, 1, 9, 0, tzinfo=UTC)
    boiler = BoilerHistory("B", [YEARLY], first, boiler_id="7")
    until = date(2027, 12, 31)
    before = entries(calendar(due([boiler], until), stamp, revision=4))
    done = [TaskDone("task", t.key, date(2026, 4, 2), YEARLY.key) for t in YEARLY.task]
    served = replace(boiler, done=done, boiler="B renamed", site="Quay")
    later = stamp + timedelta(days=2)
    after = entries(calendar(due([served], until), later, revision=9))
    assert set(after) == set(before)
    tasks = {u for u in before if before[u]["DTSTART"] != after[u]["DTSTART"]}
    assert tasks
    assert {before[u]["DTSTART"] for u in tasks} == {"20260301"}
    assert {after[u]["DTSTART"] for u in tasks} == {"20270402"}
    assert {e["SEQUENCE"] for e in before.values()} == {"4"}
    assert {e["SEQUENCE"] for e in after.values()} == {"9"}
    assert {e["DTSTAMP"] for e in after.values()} == {"20260403T090000Z"}
    assert {e["STATUS"] for e in after.values()} == {"CONFIRMED"}


def test_what_was_done_or_closed_is_cancelled_where_its_next_day_is_not_asked_for() -> None:
    finding = Finding(id="f1", text="Drain sags", opened=date(2026, 3, 1))
    boiler = BoilerHistory("B", [YEARLY], date(2025, 3, 1), boiler_id="7", findings=[finding])
    until = date(2026, 12, 31)
    stamp = datetime(2026, 4, 1, 9, 0, tzinfo=UTC)
    before = entries(calendar(due([boiler], until), stamp))
    done = [TaskDone("task", t.key, date(2026, 4, 2), YEARLY.key) for t in YEARLY.task]
    served = replace(boiler, done=done, findings=[], closed=[finding])
    gone = no_longer_due([served], until)
    after = entries(calendar(due([served], until), stamp, gone=gone, revision=1))
    cancelled = {u for u, e in after.items() if e["STATUS"] == "CANCELLED"}
    assert {u for u, e in before.items() if "Drain sags" in e["SUMMARY"]} <= cancelled
    assert {i.kind for i in gone} == {"task", "finding"}
    # Everything that a calendar took before is in the file again: moved, kept or cancelled.
    assert set(before) <= set(after)
    assert no_longer_due([boiler], until) == []
    assert len(after) == len(cancelled) + len(due([served], until))
