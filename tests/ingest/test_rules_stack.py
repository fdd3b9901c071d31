"""Stack temperature: limit, vent, water, history, dew point, and what cannot be."""

from __future__ import annotations

from statistics import median

import pytest

from ingest.rules.condensation import HOTTEST_DEW_POINT
from tests.ingest.cases import boiler, flag, judged, not_judged, point, points, severity, visit

LIMITED = {"stack_temperature_max": 200.0}


@pytest.mark.parametrize(
    ("stack", "expected"),
    [(195.0, None), (199.0, "info"), (201.0, "info"), (203.0, "fix")],
)
def test_stack_against_its_limit(stack: float, expected: str | None) -> None:
    # Accuracy 2 K or 1 % at 95 %: u 1 K at 200 degC, so 1.65 K beyond the limit is p 0.95.
    result = judged(points(stack_temperature=stack), of=boiler(limits=LIMITED))
    assert severity(result, "stack_temperature_high") == expected


def test_the_limit_is_interpolated_over_firing_rate() -> None:
    by_rate = [
        {"firing_rate": 20, "stack_temperature_max": 120},
        {"firing_rate": 100, "stack_temperature_max": 200},
    ]
    of = boiler(limits={"stack_temperature_by_rate": by_rate})
    found = flag(judged([point(60, stack_temperature=170.0)], of=of), "stack_temperature_high")
    assert found is not None and found.high == pytest.approx(160.0)


def test_the_same_limit_in_degf() -> None:
    of = boiler(limits={"stack_temperature_max": {"value": 392, "unit": "degF"}})
    found = flag(judged(points(stack_temperature=220.0), of=of), "stack_temperature_high")
    assert found is not None and found.high == pytest.approx(200.0)


@pytest.mark.parametrize(
    ("vent", "stack", "expected"),
    [
        ("pvc", 62.0, None),
        ("pvc", 64.5, "check"),
        ("pvc", 66.0, "stop"),
        ("polypropylene", 105.0, None),
        ("polypropylene", 111.0, "stop"),
        ("metal", 240.0, None),
    ],
)
def test_plastic_vents_stop_on_the_measured_value(
    vent: str, stack: float, expected: str | None
) -> None:
    of = boiler(vent=vent, condensing=True)
    at = points(
        stack_temperature=stack, return_water_temperature=45.0, supply_water_temperature=60.0
    )
    assert severity(judged(at, of=of), "vent_overheated") == expected


@pytest.mark.parametrize(
    ("condensing", "rise", "expected"),
    [(False, 9.0, None), (False, 12.5, "info"), (False, 16.0, "check"), (False, 40.0, "check"),
     (True, 4.0, None), (True, 7.5, "info"), (True, 11.0, "check")],
)  # fmt: skip
def test_approach_against_earlier_visits(
    condensing: bool, rise: float, expected: str | None
) -> None:
    stack = 150.0 if not condensing else 75.0
    before = [points(stack_temperature=stack) for _ in range(3)]
    result = judged(
        points(stack_temperature=stack + rise), of=boiler(condensing=condensing), before=before
    )
    assert severity(result, "stack_approach_high") == expected


def test_history_is_corrected_for_the_water() -> None:
    # Warmer water lifts the stack with it: that is no fouling.
    before = [points(), points()]
    warm = points(
        stack_temperature=168.0, return_water_temperature=84.0, supply_water_temperature=96.0
    )
    assert severity(judged(warm, before=before), "stack_approach_high") is None


def test_history_says_how_many_visits_it_rests_on_and_is_silent_below_two() -> None:
    risen = points(stack_temperature=190.0)
    one = judged(risen, before=[points()])
    assert severity(one, "stack_approach_high") is None
    assert "stack_approach_high" in not_judged(one)
    found = flag(judged(risen, before=[points(), points()]), "stack_approach_high")
    assert found is not None and "2 earlier visits" in found.message


def test_history_is_interpolated_when_the_rate_differs() -> None:
    earlier = [point(20, stack_temperature=110.0), point(100, stack_temperature=190.0)]
    at = [point(60, stack_temperature=150.0)]
    result = judged(at, before=[earlier, earlier, earlier])
    assert "stack_approach_high" not in not_judged(result)
    assert severity(result, "stack_approach_high") is None


def test_one_odd_earlier_visit_does_not_move_the_median() -> None:
    before = [points(), points(), points(stack_temperature=260.0)]
    assert severity(judged(points(stack_temperature=190.0), before=before), "stack_approach_high")


@pytest.mark.parametrize(("stack", "expected"), [(60.0, None), (56.5, None), (50.0, "fix")])
def test_below_the_dew_point_of_natural_gas(stack: float, expected: str | None) -> None:
    # The dew point of natural-gas flue gas at 4.5 % O2, dry air, sea level, is near 55 degC.
    at = points(
        stack_temperature=stack, return_water_temperature=None, supply_water_temperature=None
    )
    assert severity(judged(at), "stack_below_dew_point") == expected


def test_a_condensing_boiler_may_go_below_its_dew_point() -> None:
    at = points(
        stack_temperature=45.0, return_water_temperature=38.0, supply_water_temperature=55.0
    )
    seen = visit(condensate_seen=True)
    assert judged(at, of=boiler(condensing=True), during=seen).worst is None


@pytest.mark.parametrize(("stack", "expected"), [(54.0, None), (51.5, None), (44.0, "fix")])
def test_condensate_absent_although_below_the_dew_point(stack: float, expected: str | None) -> None:
    at = points(
        stack_temperature=stack, return_water_temperature=38.0, supply_water_temperature=55.0
    )
    dry = visit(condensate_seen=False)
    result = judged(at, of=boiler(condensing=True), during=dry)
    assert severity(result, "condensate_absent") == expected


@pytest.mark.parametrize(("water", "expected"), [(57.0, None), (54.9, "info"), (52.0, "check")])
def test_return_water_of_a_boiler_that_must_not_condense(
    water: float, expected: str | None
) -> None:
    at = points(return_water_temperature=water, supply_water_temperature=water + 12)
    assert severity(judged(at), "return_water_low") == expected


def test_a_stated_minimum_of_return_water_is_a_fix() -> None:
    of = boiler(limits={"return_water_min": 60.0})
    assert (
        severity(judged(points(return_water_temperature=56.0), of=of), "return_water_low") == "fix"
    )


def test_stack_below_return_water() -> None:
    of = boiler(condensing=True)
    at = points(
        stack_temperature=41.0, return_water_temperature=45.0, supply_water_temperature=58.0
    )
    assert severity(judged(at, of=of), "stack_below_water") == "check"
    near = points(
        stack_temperature=44.5, return_water_temperature=45.0, supply_water_temperature=58.0
    )
    assert severity(judged(near, of=of), "stack_below_water") is None


def test_stack_below_combustion_air() -> None:
    cold = {"return_water_temperature": None, "supply_water_temperature": None}
    at = points(stack_temperature=-2.0, combustion_air_temperature=22.0, **cold)
    assert severity(judged(at), "stack_below_air") == "check"


@pytest.mark.parametrize(
    ("stack", "limit", "expected"),
    [(300.0, None, None), (302.0, 200.0, "check"), (215.0, 200.0, None), (356.0, None, "check")],
)
def test_degf_typed_as_degc_without_history(
    stack: float, limit: float | None, expected: str | None
) -> None:
    of = boiler(limits={"stack_temperature_max": limit} if limit else None)
    found = severity(judged(points(stack_temperature=stack), of=of), "temperature_unit_mixed")
    assert (found is None) == (expected is None)


def test_degc_typed_as_degf_just_above_the_water() -> None:
    # 160 on the display, taken as degF, is 71 degC: 6 K above the water of a boiler that never
    # comes so near.
    assert severity(judged(points(stack_temperature=71.0)), "temperature_unit_mixed")
    near = points(stack_temperature=82.0)
    assert severity(judged(near), "temperature_unit_mixed") is None


def test_flue_and_air_probe_swapped_is_one_finding() -> None:
    at = points(stack_temperature=22.0, combustion_air_temperature=150.0)
    result = judged(at)
    assert flag(result, "probes_swapped") is not None
    assert flag(result, "stack_below_water") is None


@pytest.mark.parametrize(("ret", "expected"), [(78.5, None), (84.0, "check")])
def test_water_probes_swapped(ret: float, expected: str | None) -> None:
    assert severity(judged(points(return_water_temperature=ret)), "probes_swapped") == expected


def test_degc_typed_as_degf() -> None:
    # 150 on the display, taken as degF, is 65.6 degC.
    at = points(stack_temperature=58.0, return_water_temperature=65.0)
    assert severity(judged(at), "temperature_unit_mixed") == "check"


def test_degf_typed_as_degc_against_history() -> None:
    at = points(stack_temperature=302.0)
    result = judged(at, before=[points(), points()])
    assert severity(result, "temperature_unit_mixed") == "check"


def test_air_in_degf_typed_as_degc() -> None:
    at = points(combustion_air_temperature=71.6)
    assert severity(judged(at), "temperature_unit_mixed") == "check"
    assert (
        severity(judged(points(combustion_air_temperature=40.0)), "temperature_unit_mixed") is None
    )


@pytest.mark.parametrize(("o2", "expected"), [(14.5, None), (15.0, "fix"), (20.9, "fix")])
def test_a_sample_that_is_mostly_air(o2: float, expected: str | None) -> None:
    assert severity(judged(points(o2_dry=o2, co2_dry=None)), "sample_diluted") == expected


def test_a_value_outside_what_can_be() -> None:
    assert severity(judged(points(co2_dry=60.0)), "value_implausible") == "check"
    assert severity(judged(points(co_dry=-3.0)), "value_implausible") is None


def test_the_usual_approach_is_that_of_each_earlier_visit_brought_to_today() -> None:
    # The literal sum: each visit's approach with today's flame over today's water.
    rows = [(150.0, 66.0, 25.0), (148.0, 61.0, 4.0), (155.0, 70.0, 31.0)]
    before = [
        points(stack_temperature=s, return_water_temperature=w, combustion_air_temperature=a)
        for s, w, a in rows
    ]
    today = {"return_water_temperature": 58.0, "combustion_air_temperature": -5.0}
    found = flag(
        judged(points(stack_temperature=190.0, **today), before=before), "stack_approach_high"
    )
    brought = [(s - w) * (1800.0 - 5.0 - 58.0) / (1800.0 + a - w) for s, w, a in rows]
    assert found is not None and found.high == pytest.approx(median(brought) + 12.0, rel=1e-12)


def test_no_dew_point_is_hotter_than_boiling_water_under_the_highest_air_pressure() -> None:
    # Steam tables, IAPWS-IF97: 102.29 degC at 0.11 MPa (memory).
    assert pytest.approx(102.29, abs=0.02) == HOTTEST_DEW_POINT
