"""How the boiler was left: bypasses, parts past their life, contradictions, findings, stops."""

from __future__ import annotations

from ingest.service.intervals import add_months
from ingest.service.models import InstalledPart
from ingest.service.plans import PlanPart
from ingest.service.rules.view import ServiceView, rule

BYPASS = rule(
    "bypass_left_open",
    "bypasses",
    "Bypass left in place",
    "A jumper, a forced input or a changed set point was placed and not signed off as removed.",
    "Shut the burner down, remove it, test the device it bypassed, sign.",
    needs="the list of bypasses",
    silent="When every bypass is signed off, or none was placed.",
    causes="Forgotten at the boiler or in the record.",
    source="a bypassed device protects nobody",
    safety=True,
)
LEFT_RUNNING = rule(
    "left_running_with_stop",
    "how it was left",
    "Left running with a stop open",
    "The boiler was left running while a finding says stop.",
    "Shut it down, or have a named person state the reason.",
    needs="how the boiler was left",
    silent="When it was left off or isolated, or no stop is open.",
    causes="A decision that somebody has to stand for.",
    source="a stop means: do not leave it running",
    safety=True,
)
NOT_TOLD = rule(
    "nobody_told",
    "how it was left",
    "Nobody told",
    "The boiler was left off or isolated, or a stop is open, and nobody is recorded as told.",
    "Tell the owner, write down who was told.",
    needs="who was told",
    silent="When somebody is recorded as told.",
    causes="Forgotten.",
)
PAST_LIFE = rule(
    "part_past_life",
    "parts",
    "Part past its life",
    "A part has been in longer than the plan allows and was not replaced.",
    "Replace it, or write down why it stays.",
    needs="install dates or counters of the parts, and the plan",
    silent="When the part was replaced at this visit.",
    causes="Interval missed.",
    formula="installed + life_months < visit; counter - counter at fitting > life",
    status="stated",
)
CONTRADICTION = rule(
    "contradictory_answers",
    "contradictions",
    "Answers contradict each other",
    "Two answers of the record cannot both be right.",
    "Look again and correct the wrong one.",
    needs="the record",
    silent="When they agree.",
    causes="A slip of the record.",
    source="the record itself",
)
FINDING = rule(
    "finding_open",
    "findings",
    "Finding still open",
    "A finding of this or an earlier visit is not closed.",
    "Put it right and close it by name, or carry it on.",
    needs="findings of this and earlier visits",
    silent="When all are closed.",
    causes="Not put right yet.",
    source="the boiler's earlier visits",
)


def judge(view: ServiceView) -> None:
    """Judge bypasses, parts, contradictions, findings and how it was left, in this order."""
    for n, bypass in enumerate(view.record.bypasses, 1):
        if bypass.removed is None:
            view.flag(
                BYPASS,
                "stop",
                f"{bypass.what}: placed by {bypass.placed.by}, not signed off as removed.",
                tag=str(n),
            )
    _parts(view)
    _contradictions(view)
    _findings(view)
    _left(view)


def _parts(view: ServiceView) -> None:
    if view.plan is None or not view.installed or view.on is None:
        why = "no plan is followed" if view.plan is None else "install dates are not known"
        view.not_judged(PAST_LIFE, why)
        return
    fresh = {r.part for t in view.record.tasks for r in t.replaced}
    for part in view.plan.part:
        held = view.installed.get(part.key)
        if held is None or part.key in fresh:
            continue
        said = _past(view, part, held)
        if said is not None:
            view.flag(PAST_LIFE, "check", f"{part.title}: {said}.", tag=part.key)
        elif (part.life_hours or part.life_starts) and view.record.counters is None:
            view.not_judged(PAST_LIFE, "the counters of running hours and starts are not recorded")


def _past(view: ServiceView, part: PlanPart, held: InstalledPart) -> str | None:
    if part.life_months is not None and view.on is not None:
        end = add_months(held.installed, part.life_months)
        if end < view.on:
            return f"fitted {held.installed}, its {part.life_months} months ended {end}"
    counters = view.record.counters
    if counters is None:
        return None
    for life, now, then, name in (
        (part.life_hours, counters.running_hours, held.running_hours, "running hours"),
        (part.life_starts, counters.starts, held.starts, "starts"),
    ):
        if life is not None and now is not None and then is not None and now - then > life:
            return f"{now - then:g} {name} since it was fitted, life {life:g}"
    return None


def _contradictions(view: ServiceView) -> None:
    record = view.record
    for entry in record.tasks:
        for replaced in entry.replaced:
            before = replaced.serial_before
            if before is None and replaced.part in view.installed:
                before = view.installed[replaced.part].serial
            if before and replaced.serial_after and _same(before, replaced.serial_after):
                view.flag(
                    CONTRADICTION,
                    "check",
                    f"{replaced.part} is recorded as replaced, and its serial is unchanged "
                    f"({before}).",
                    tag=f"serial:{replaced.part}",
                )
        if entry.outcome != "done" and (entry.replaced or entry.measured):
            view.flag(
                CONTRADICTION,
                "check",
                f"{entry.task} is recorded as not done, and yet has parts or values.",
                tag=f"not_done:{entry.task}",
            )
    running = view.visit.how_left == "running"
    if running and record.isolation and record.restored is None:
        view.flag(
            CONTRADICTION,
            "check",
            "The boiler is recorded as left running, and its locks are not signed off.",
            tag="locks",
        )
    if view.visit.how_left == "isolated" and record.restored is not None:
        view.flag(
            CONTRADICTION,
            "check",
            "The boiler is recorded as left isolated, and its locks are signed off.",
            tag="locks",
        )
    power = any(i.step == "power_locked_and_tagged" for i in record.isolation)
    if view.visit.how_left == "isolated" and not power:
        view.flag(
            CONTRADICTION,
            "check",
            "The boiler is recorded as left isolated, and no power lock is recorded.",
            tag="no_lock",
        )
    for n, bypass in enumerate(record.bypasses, 1):
        if bypass.removed is not None and bypass.removed.time < bypass.placed.time:
            view.flag(
                CONTRADICTION,
                "check",
                f"{bypass.what} is signed off before it was placed.",
                tag=f"bypass:{n}",
            )
    known = {f.id for f in (*view.earlier_findings, *record.findings)}
    for closed in record.closed:
        if closed.id not in known:
            view.flag(
                CONTRADICTION,
                "check",
                f"Finding {closed.id} is closed, and no such finding is open.",
                tag=f"finding:{closed.id}",
            )


def _same(one: str, other: str) -> bool:
    return "".join(one.split()).casefold() == "".join(other.split()).casefold()


def _findings(view: ServiceView) -> None:
    closed = {c.id for c in view.record.closed}
    for finding in {f.id: f for f in (*view.earlier_findings, *view.record.findings)}.values():
        if finding.id not in closed:
            view.flag(
                FINDING,
                finding.severity,
                f"Open since {finding.opened}: {finding.text}",
                tag=finding.id,
            )


def _left(view: ServiceView) -> None:
    how, left = view.visit.how_left, view.record.left
    stops = [*view.open_stops, *(f.message for f in view.flags if f.severity == "stop")]
    if how is None:
        view.not_judged(LEFT_RUNNING, "how the boiler was left is not recorded")
        view.not_judged(NOT_TOLD, "how the boiler was left is not recorded")
        return
    many = "open stops" if len(stops) > 1 else "open stop"
    if stops and how == "running":
        if left.reason and left.reason_by:
            view.flag(
                LEFT_RUNNING,
                "check",
                f"Left running with {len(stops)} {many}; {left.reason_by} states: {left.reason}",
                tag="reason",
            )
        else:
            view.flag(
                LEFT_RUNNING,
                "stop",
                f"Left running with {len(stops)} {many}, without a named person's reason.",
                tag="no_reason",
            )
    if (stops or how != "running") and not left.told:
        view.flag(NOT_TOLD, "check", "Nobody is recorded as told how it was left.", tag="told")


RULES = (BYPASS, LEFT_RUNNING, NOT_TOLD, PAST_LIFE, CONTRADICTION, FINDING)
