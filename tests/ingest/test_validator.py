"""What judging promises as a whole, whatever the rules."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from datetime import UTC, datetime

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combustion.decision import decide
from combustion.quantities import MEASURED
from ingest.earlier import EarlierVisit
from ingest.judge_json import judge_json
from ingest.judgement import Case
from ingest.limits import resolve_limits
from ingest.models import AccuracySpec, Adjustment, Instrument, RangeSpec, RoomCo, Visit
from ingest.rules import READING_RULES, RULES
from ingest.rules.joining import joined
from ingest.rules.view import View, probability_above
from ingest.validator import judge
from parsers.model import PHASES, Bound, Reading
from parsers.points import FiringPoint, PointKey, Settled
from tests.ingest.cases import boiler, flag, judged, not_judged, point, points, severity, visit

anything = st.floats(allow_nan=True, allow_infinity=True)
likely = st.one_of(
    st.sampled_from([0.0, -0.0, 15.0, 18.0, 20.9, 20.939, 20.946, 21.0, 1e308, -1e308, 273.15]),
    st.floats(-50, 500),
    anything,
)
times = st.one_of(
    st.none(),
    st.datetimes(timezones=st.just(UTC)),
    st.datetimes(),
    st.just(datetime.min),  # noqa: DTZ901
    st.just(datetime.max),  # noqa: DTZ901
)
_DAYS = (datetime(1900, 1, 2), datetime(2199, 12, 30))  # noqa: DTZ001
document_times = st.one_of(
    st.none(), st.datetimes(*_DAYS, timezones=st.just(UTC)), st.datetimes(*_DAYS)
)
"""A document holds no other; a file of readings may."""
some_key = st.sampled_from(MEASURED)
some_values = st.dictionaries(some_key, likely, max_size=4)


@st.composite
def hostile_points(draw: st.DrawFn) -> list[FiringPoint]:
    out = []
    for _ in range(draw(st.integers(0, 7))):
        values = draw(
            st.dictionaries(
                st.sampled_from([*MEASURED, "nonsense"]),
                st.builds(Settled, likely, likely, st.integers(1, 9), st.none() | likely,
                          st.none() | likely),
                max_size=14,
            )
        )  # fmt: skip
        out.append(
            FiringPoint(
                PointKey(
                    draw(st.sampled_from(["1", "2"])),
                    draw(st.sampled_from(["natural_gas", "Natural gas", "no2_oil", "coal", ""])),
                    draw(st.sampled_from(PHASES)),
                    draw(st.sampled_from([0.0, 20.0, 60.0, 100.0, float("nan"), float("inf")])),
                    draw(st.integers(1, 3)),
                ),
                values,
                draw(st.integers(1, 9)),
                started=draw(times),
                ended=draw(times),
                bounds=draw(
                    st.dictionaries(
                        some_key, st.builds(Bound, st.none() | likely, st.none() | likely),
                        max_size=2,
                    )
                ),
                readings=tuple(
                    Reading(values=v)
                    for v in draw(st.lists(some_values, max_size=6))
                ),
            )
        )  # fmt: skip
    return out


hostile_visits = st.builds(
    Visit,
    units=st.just({"temperature": "degC", "pressure": "Pa", "length": "m"}),
    started=document_times,
    ended=document_times,
    fuel=st.sampled_from([None, "propane", "???"]),
    adjusted=st.sampled_from([None, True, False]),
    as_found_stands=st.booleans(),
    condensate_seen=st.sampled_from([None, True, False]),
    altitude=st.none() | st.floats(-1e6, 1e6),
    combustion_air_temperature=st.none() | st.floats(-1e6, 1e6),
    adjustments=st.lists(st.builds(Adjustment, time=document_times, what=st.just("x")), max_size=2),
    room_co=st.lists(st.builds(RoomCo, value=st.floats(0, 1e9)), max_size=2),
    instrument=st.builds(
        Instrument,
        accuracies=st.dictionaries(
            some_key,
            st.builds(AccuracySpec, absolute=st.none() | st.floats(0, 1e12),
                      percent=st.none() | st.floats(0, 1e12), coverage=st.floats(0, 10)),
            max_size=4,
        ),
        ranges=st.dictionaries(
            some_key, st.builds(RangeSpec, low=st.none() | st.floats(-9, 9),
                                high=st.none() | st.floats(-9, 9)), max_size=3
        ),
        fresh_air_after=st.dictionaries(some_key, st.floats(-9, 99), max_size=2),
    ),
)  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    hostile_points(),
    st.lists(hostile_points(), max_size=3),
    hostile_visits,
    st.booleans(),
    st.booleans(),
)
def test_rules_never_raise_and_never_change_a_reading(
    at: list[FiringPoint],
    before: list[list[FiringPoint]],
    during: Visit,
    condensing: bool,
    limited: bool,
) -> None:
    stated = {"stack_temperature_max": 200, "nox_at_3_o2_max": 60, "gas_inlet_pressure": {"low": 1}}
    unit = boiler(condensing=condensing, vent="pvc", limits=stated if limited else None)
    case = Case(unit, during, at, [EarlierVisit(Visit(), p) for p in before], assumed=("x",))
    shown = repr(copy.deepcopy(at)), repr(during)
    result = judge(case)
    assert (repr(at), repr(during)) == shown
    assert {f.rule for f in result.flags} | not_judged(result) <= set(RULES)
    assert len({f.id for f in result.flags}) == len(result.flags)
    assert all(f.message and f.next_step for f in result.flags)
    json.dumps(judge_json(result), allow_nan=False)


def test_a_boiler_in_order_stays_quiet() -> None:
    result = judged()
    assert [f.message for f in result.flags] == []
    assert result.worst is None


def test_an_empty_visit_judges_nothing_and_says_so_for_every_rule() -> None:
    result = judged([])
    said = {f.rule for f in result.flags} | not_judged(result)
    # The two that speak of the record itself have nothing to say about an empty one.
    assert set(READING_RULES) - said == {"taken_for_granted", "fuel_unclear"}
    assert severity(result, "no_as_left") == "check"


def test_judging_twice_gives_the_same_judgement() -> None:
    at = [point(20, co_dry=500.0, o2_dry=2.0), *points()[1:]]
    assert judged(at) == judged(at)


def test_flags_come_worst_first() -> None:
    at = [point(20, co_dry=500.0), point(60, flame_signal=0.2), point(100, o2_dry=7.5)]
    ranks = [("stop", "fix", "check", "info").index(f.severity) for f in judged(at).flags]
    assert ranks == sorted(ranks) and len(ranks) >= 3


def test_a_rich_low_fire_is_one_finding_with_its_effects() -> None:
    result = judged([point(20, o2_dry=1.0, co2_dry=11.3, co_dry=600.0), *points()[1:]])
    assert [f.rule for f in result.flags] == ["o2_below_band"]
    found = result.flags[0]
    assert found.severity == "stop"
    assert any(e.startswith("co_above_limit: ") for e in found.effects)
    assert any(e.startswith("o2_spread: ") for e in found.effects)
    assert "Shut the burner down" in found.next_step and "400 ppm" in found.message


def test_two_causes_at_two_rates_stay_two_findings() -> None:
    at = [point(20, o2_dry=2.0, co2_dry=10.7), point(60), point(100, co_dry=400.0)]
    assert {f.rule for f in judged(at).flags} >= {"o2_below_band", "co_above_limit"}


def test_one_rule_at_many_rates_is_one_line() -> None:
    result = judged(points(co_dry=190.0))
    assert [f.firing_rates for f in result.flags] == [(20.0, 60.0, 100.0)]


def test_as_found_faults_put_right_are_work_done_and_decide_nothing() -> None:
    at = [*points("as_found", co_dry=500.0, o2_dry=4.0, co2_dry=9.6), *points()]
    result = judged(at)
    assert result.worst is None
    assert [f.rule for f in result.work_done] == ["co_above_limit"]


def test_as_found_faults_still_there_are_no_work_done() -> None:
    at = [*points("as_found", co_dry=300.0), *points(co_dry=310.0)]
    result = judged(at)
    assert result.worst == "fix" and result.work_done == ()


def test_trial_points_never_decide() -> None:
    assert judged([*points("trial", co_dry=5000.0), *points()]).worst is None


def test_without_as_left_the_as_found_points_are_judged_and_that_is_said() -> None:
    result = judged(points("as_found", co_dry=600.0))
    assert severity(result, "no_as_left") == "check"
    assert severity(result, "co_above_limit") == "stop"


def test_as_found_declared_to_stand_decides_and_is_no_copy() -> None:
    result = judged(points("as_found"), during=visit(as_found_stands=True, adjusted=False))
    assert result.worst is None


def test_the_last_pass_at_a_rate_decides() -> None:
    at = [*points(co_dry=500.0), *[point(p.key.firing_rate, pass_number=2) for p in points()]]
    assert judged(at).worst is None


def test_assumptions_of_the_reader_are_said() -> None:
    case = Case(boiler(), visit(), points(), assumed=("No phase is stated: taken as left.",))
    found = flag(judge(case), "taken_for_granted")
    assert found is not None and found.severity == "info"


def test_probability_agrees_with_the_published_decision_rule() -> None:
    # JCGM 106:2012 (read): lower limit 490, y 509.7, u 8.6 -> 0.99.
    assert round(probability_above(509.7, 8.6, 490.0), 2) == 0.99
    for value, u, limit in ((101.0, 5.0, 100.0), (130.0, 5.0, 100.0), (80.0, 5.0, 100.0)):
        assert abs(probability_above(value, u, limit) - decide(value, u, high=limit)[1]) < 1e-12


def test_two_quantities_that_break_one_rule_at_one_point_are_told_apart() -> None:
    at = [point(rate=100, intake_o2=19.0)]
    found = flag(judge(Case(boiler(), Visit(), at)), "flue_gas_in_intake")
    both = joined([found, replace(found, quantity="intake_co2", message="Its CO2 as well.")])
    assert sorted(f.id for f in both) == [found.id, f"{found.id}:intake_co2"]


def test_what_was_not_judged_stands_in_one_order() -> None:
    # Strings are hashed anew in every process: an order taken from a set would change with it.
    rules = [n.rule for n in judged(of=boiler(condensing=True)).not_judged]
    assert rules.index("return_water_low") == rules.index("stack_below_dew_point") + 1


def test_readings_that_jump_beyond_all_numbers_do_not_raise() -> None:
    wild = [{"o2_dry": 4.5}, {"o2_dry": 4.5}, {"o2_dry": 1e300}]
    assert severity(judged([point(readings=wild)]), "unsettled_point") == "check"


@given(
    st.floats(0.001, 0.499),
    st.floats(-1e3, 1e3),
    st.floats(0.0, 50.0),
    st.floats(0.0, 1e-3),
)
def test_a_value_clear_of_its_limit_is_within_it(
    within: float, limit: float, u: float, step: float
) -> None:
    case = Case(boiler(limits={"decision_within": within}), visit(), points())
    view = View(case, resolve_limits(case.boiler))
    value = limit - view.clear * u - step
    if limit - value > view.clear * u:
        assert view.answer(probability_above(value, u, limit)) is None
    # A hair on the other side of the edge is asked, and not waved through.
    assert u < 1e-3 or view.answer(probability_above(limit - 0.999 * view.clear * u, u, limit))
