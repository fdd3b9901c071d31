"""Safety tests: carried out, tripped, in time, reset as they should."""

from __future__ import annotations

from ingest.service.models import SafetyTest
from ingest.service.plans import PlanTest
from ingest.service.rules.view import ServiceView, rule
from ingest.service.safety import DEVICES, deciding_tests, timing

_LEAVE_OFF = (
    "Shut the burner down and leave it off and tagged: only a person licensed for this boiler "
    "restarts it after the device is put right and tested again."
)
TEST_MISSING = rule(
    "safety_test_missing",
    "safety tests",
    "Safety test missing",
    "A device that the plan has tested is not recorded as tested.",
    "Test it by the boiler's instructions, or write down why it was not tested.",
    needs="a plan",
    silent="When the plan makes it optional.",
    causes="Forgotten, not fitted, not allowed here.",
    safety=True,
)
NO_TRIP = rule(
    "safety_test_no_trip",
    "safety tests",
    "Device did not trip",
    "A safety device did not act when it was provoked.",
    _LEAVE_OFF,
    needs="the result of the test",
    silent="When a later test of the same device tripped.",
    causes="Device failed, bypassed, wired wrong or set wrong.",
    source="a device that does not act protects nobody",
    safety=True,
)
LATE = rule(
    "safety_test_late",
    "safety tests",
    "Device tripped late",
    "A safety device acted only beyond its set point and tolerance, or after too long.",
    "Set or replace it by the boiler's instructions and test again.",
    needs="set point and trip value, or the lock-out time and the plan's limit",
    silent="When set point or trip value is not recorded.",
    causes="Drift, wrong set point, a blocked sensing line.",
    formula="trip beyond set point + tolerance in the dangerous direction; lock-out time > limit",
    status="stated",
    safety=True,
)
EARLY = rule(
    "safety_test_early",
    "safety tests",
    "Device tripped early",
    "A safety device acted before its set point less tolerance.",
    "Check its setting: a device that trips for nothing gets bypassed.",
    needs="set point, trip value and tolerance",
    silent="When no tolerance is stated, or for times.",
    causes="Drift, wrong set point.",
    status="stated",
)
RESET = rule(
    "safety_test_reset",
    "safety tests",
    "Reset not as it should be",
    "A device that should wait for a person reset itself, or was not reset.",
    "Look at the device's type and wiring.",
    needs="the kind of reset",
    silent="When the plan does not say which reset is wanted.",
    causes="Wrong type of device, wiring, a set point left changed.",
    safety=True,
)
UNEXPLAINED = rule(
    "safety_test_unexplained",
    "safety tests",
    "How it was provoked is not recorded",
    "A device is recorded as tripped, and not how it was provoked: real or simulated is not known.",
    "Say how it was provoked, or test it again by the boiler's instructions.",
    needs="the method of the test",
    silent="When the method is recorded, or a note says it.",
    causes="Forgotten in the record.",
)
SIMULATED = rule(
    "safety_test_simulated",
    "safety tests",
    "Test was simulated",
    "The circuit was tested, not that the device feels the condition.",
    "Where a real test is asked for, plan it.",
    needs="how the device was provoked",
    silent="When it was provoked really.",
    causes="A choice of the method.",
)


def _title(label: str) -> str:
    device, _, name = label.partition(" ")
    title = DEVICES[device].title if device in DEVICES else device
    return f"{title}, {name}" if name else title


def judge(view: ServiceView) -> None:
    """Judge every safety test by the last one of its device."""
    decided = deciding_tests(list(view.record.tests))
    wanted = {} if view.plan is None else {t.label: t for t in view.plan.test}
    if view.plan is None:
        view.not_judged(TEST_MISSING, "no plan is followed")
    for label, planned in wanted.items():
        test = decided.get(label)
        if planned.mandatory and (test is None or test.result == "not_tested"):
            why = f" ({test.note})" if test is not None and test.note else ""
            view.flag(
                TEST_MISSING,
                "check" if why else "fix",
                f"{_title(label)}: not tested{why}.",
                tag=label,
            )
    compared = False
    for label, test in decided.items():
        if test.result == "not_tested":
            continue
        compared |= _one(view, label, test, wanted.get(label))
    if not compared:
        view.not_judged(LATE, "no test has both set point and trip value, or a timed limit")


def _one(view: ServiceView, label: str, test: SafetyTest, planned: PlanTest | None) -> bool:
    title = _title(label)
    if test.result == "did_not_trip":
        view.flag(NO_TRIP, "stop", f"{title}: did not trip when provoked.", tag=label)
        return False
    compared = _late(view, label, title, test, planned)
    if planned is not None and planned.reset == "manual" and test.reset == "automatic":
        view.flag(
            RESET, "fix", f"{title}: reset by itself; the plan wants a manual reset.", tag=label
        )
    elif test.reset == "not_reset":
        view.flag(RESET, "check", f"{title}: recorded as not reset.", tag=label)
    device = DEVICES.get(test.device)
    method = None if device is None or test.method is None else device.methods.get(test.method)
    if test.method is None and not test.note:
        view.flag(UNEXPLAINED, "check", f"{title}: how it was provoked is not recorded.", tag=label)
    if test.mode == "simulated" or (method is not None and not method.real):
        view.flag(SIMULATED, "info", f"{title}: tested by simulation.", tag=label)
    return compared


def _late(
    view: ServiceView, label: str, title: str, test: SafetyTest, planned: PlanTest | None
) -> bool:
    device = DEVICES.get(test.device)
    timed = device is not None and device.timed
    limit = None if planned is None else planned.lock_out_max_s
    compared = False
    if limit is not None and test.lock_out is not None:
        compared = True
        if test.lock_out > limit:
            view.flag(
                LATE,
                "stop",
                f"{title}: {test.lock_out:g} s until it locked out, limit {limit:g} s.",
                tag=f"{label}:time",
                next_step=_LEAVE_OFF,
                unit="s",
                value=test.lock_out,
                high=limit,
            )
    found = timing(test, default_tolerance=None if planned is None else planned.tolerance)
    if found == "not_comparable" or test.set_point is None or test.trip is None:
        return compared
    said = (
        f"{title}: {test.trip.value:g} {test.trip.unit} against "
        f"{test.set_point.value:g} {test.set_point.unit}"
    )
    if found == "late":
        view.flag(
            LATE,
            "stop" if timed else "fix",
            f"{said}, beyond it.",
            tag=f"{label}:value",
            next_step=_LEAVE_OFF if timed else None,
        )
    elif found == "early" and not timed:
        view.flag(EARLY, "check", f"{said}, before it.", tag=label)
    return True


RULES = (TEST_MISSING, NO_TRIP, LATE, EARLY, RESET, UNEXPLAINED, SIMULATED)
