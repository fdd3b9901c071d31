"""What a field book holds that does not go to the office: named, so that nobody counts on it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from functools import partial

from fluebook.client import Refused
from fluebook.field_book.meeting import Meeting
from ingest.service.plan_toml import plan_toml
from ingest.service.plans import Plan
from ingest.store import field as marks

_CLOCKS_APART = timedelta(minutes=5)


def tell_staying(meeting: Meeting) -> None:
    """Add to the outcome what stays behind, each kind with what to do instead."""
    meeting.outcome.stays.extend(_lines(marks.staying(meeting.intake.book.reader)))


def _lines(found: marks.Staying) -> Iterator[str]:
    told = (
        (found.past_visits, "past visits brought in here from a list", "bring the list in there"),
        (found.waiting_readings, "readings that wait here for a visit", "send the visit, too"),
        (found.standing_acceptances, "standing acceptances", "the office makes its own"),
        (found.stops_taken, "stops taken by name on this book", "take them at the office"),
        (found.accepted, "acceptances made on this book", "the office decides for itself"),
    )
    for count, what, instead in told:
        if count:
            yield f"{count} {what}: {instead}"


def tell_clock(meeting: Meeting) -> None:
    """Say where this machine's clock and the office's are apart: times made here are wrong then."""
    there = meeting.office.server_time()
    if there is None:
        return
    apart = meeting.intake.book.clock() - there
    if abs(apart) > _CLOCKS_APART:
        way = "ahead of" if apart > timedelta() else "behind"
        length = f"{abs(apart).days} days" if abs(apart).days else f"{abs(apart).seconds // 60} min"
        meeting.outcome.stays.append(
            f"this machine's clock is {length} {way} the office's, and with it the times of what "
            "was entered here: set the clock"
        )


def send_plans(meeting: Meeting) -> None:
    """Bring service plans up that the office lacks; where the key may not, they stay here."""
    there = {(p["key"], p["version"]) for p in meeting.office.call("GET", "plans")["plans"]}
    gone = meeting.intake.removed_plans()
    for kept in reversed(meeting.intake.plan_versions()):
        plan = kept.plan
        if (plan.key, plan.version) in there or plan.key in gone:
            continue
        try:
            meeting.office.bring_plan(plan_toml(plan))
            meeting.done(f"plan {plan.key} {plan.version} sent")
        except Refused as error:
            meeting.outcome.stays.append(
                f"plan {plan.key} {plan.version} is not in the office's book: let the office bring "
                f"it in ({error.status})"
            )


def fetch_plans(meeting: Meeting) -> None:
    """Bring every version of the office's plans down, the newest last as it is in force.

    What is out of use there is so here, and what was brought in again there is in force here.
    """
    intake, plans = meeting.intake, meeting.office.call("GET", "plans")["plans"]
    here = {(k.plan.key, k.plan.version) for k in intake.plan_versions()}
    gone_here = intake.removed_plans()
    for listed in reversed(plans):
        key, version = listed["key"], listed["version"]
        back = key in gone_here and listed["newest"]
        if (key, version) in here and not back:
            continue
        found = meeting.office.call("GET", f"plans/{key}", params={"version": version})
        plan = Plan.model_validate(found)
        if meeting.attempt(f"plan {key} {version}", partial(intake.put_plan, plan, "office")):
            meeting.done(f"plan {key} {version} fetched")
    for key in {p["key"] for p in plans if p.get("removed_at")} - set(gone_here):
        known = intake.plans()
        if key in known and meeting.attempt(
            f"plan {key}", partial(intake.remove_plan, key, "office", known)
        ):
            meeting.done(f"plan {key} out of use, as at the office")
