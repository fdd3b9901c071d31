"""A log without marks gives its firing points, and nothing that is not one."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest

from parsers.cut_corrections import Correction, CorrectionError, apply_corrections
from parsers.cut_points import log_of_readings, points_of_cut, proposed_phases, undecided
from parsers.model import Reading
from parsers.plateaus import lags_of_cut, propose_cut
from parsers.rate_match import RateAim
from parsers.recorded_rate import at_recorded_rates
from parsers.segments import CutOptions, Segment
from samples.plant import BoilerModel
from samples.plant_log import PlantLog, Step, log
from tests import simulated_logs

VISIT = [
    Step("off", 60),
    Step("purge", 45),
    Step("fire", 200, 20),
    Step("fire", 200, 60),
    Step("air", 60, 60),
    Step("fire", 200, 60),
    Step("fire", 220, 100),
    Step("fire", 200, 40),
    Step("off", 90),
]
KNOWN = CutOptions(response_time=30.0)


def made(program: list[Step] = VISIT, seed: int = 3, **settings: float) -> PlantLog:
    return log(BoilerModel(), program, np.random.default_rng(seed), response_time=30.0, **settings)


def cut(one: PlantLog, *, rate: bool, rates: tuple[RateAim | float, ...] = ()) -> list[Segment]:
    columns = {k: v for k, v in one.columns.items() if rate or k != "firing_rate"}
    return propose_cut(one.times, columns, rates, options=KNOWN)


@pytest.mark.parametrize("rate", [False, True])
def test_off_purge_and_air_are_left_out_and_each_stay_is_one_plateau(rate: bool) -> None:
    one = made()
    segments = cut(one, rate=rate)
    kinds = [s.kind for s in segments if s.kind != "ramp"]
    assert kinds in (
        ["off", "purge", *["plateau"] * 2, "air", *["plateau"] * 3, "off"],
        ["purge", *["plateau"] * 2, "air", *["plateau"] * 3, "off"],  # standing still and purging
    )  # look alike in gas; the stack alone tells them
    assert segments[0].start == 0.0
    assert segments[-1].end == one.times[-1]
    assert all(a.end == b.start for a, b in pairwise(segments))


@pytest.mark.parametrize(
    ("method", "with_rate"),
    [
        (simulated_logs.joint_unknown, False),
        (simulated_logs.joint, False),
        (simulated_logs.joint, True),
        (simulated_logs.recorded(0.0, wanted=True), True),
    ],
)
def test_score_on_simulated_logs(method: simulated_logs.Method, with_rate: bool) -> None:
    # The full 300 are in the soak; these seeds are others than those looked at while building.
    score = simulated_logs.run(method, with_rate, range(5000, 5020))
    assert score.found >= 0.96 * score.long
    assert score.false <= 0.03 * score.claimed
    assert score.covered >= 0.92 * score.stated
    assert score.short_settled <= 0.1 * score.short_found
    assert score.long_settled >= 0.85 * score.found


@pytest.mark.soak
@pytest.mark.parametrize(
    ("method", "with_rate", "found", "false", "not_marked"),
    [
        (simulated_logs.joint_unknown, False, 0.97, 0.01, 0.01),
        (simulated_logs.joint, False, 0.97, 0.01, 0.01),
        (simulated_logs.joint, True, 0.995, 0.001, 0.005),
    ],
)
def test_full_score(
    method: simulated_logs.Method, with_rate: bool, found: float, false: float, not_marked: float
) -> None:
    """The score in ``docs/plateaus.md``, on the 300 logs that it was measured on, unseen before.

    The shares themselves are asserted against the aims: plateaus found, false ones, means within
    their stated uncertainty. Not every short stay is marked: held is what was measured, with
    little room, and that with the false ones they stay within the aim for those.
    """
    score = simulated_logs.run(method, with_rate, range(90000, 90300))
    assert score.found >= found * score.long
    assert score.false <= false * score.claimed
    assert score.covered >= 0.95 * score.stated
    assert score.short_settled <= not_marked * score.short_found
    assert score.false + score.short_settled <= false * score.claimed
    assert score.long_settled >= 0.9 * score.found


@pytest.mark.parametrize("seed", [47075, 47287])
def test_a_burner_going_out_is_no_plateau_at_rate_zero(seed: int) -> None:
    # Without the rule the first seconds after the flame, the gas still on its way, were one.
    segments = simulated_logs.joint(simulated_logs.simulated(seed), True)
    assert min(s.values["firing_rate"].mean for s in segments if s.kind == "plateau") > 10.0


def test_an_adjustment_at_a_recorded_rate_begins_a_new_plateau() -> None:
    # Fifty seconds at the old setting, of an instrument that takes 54: one stay until now.
    segments = simulated_logs.joint(simulated_logs.simulated(51021), True)
    at = [(round(s.start), round(s.end)) for s in segments if abs((s.firing_rate or 0) - 33) < 1]
    assert at == [(604, 655), (655, 831)]


def test_the_climb_to_fresh_air_is_no_plateau() -> None:
    # 39 s of air at an instrument that takes 32: its climb from 176 to 203 s was called a stay.
    segments = simulated_logs.joint(simulated_logs.simulated(71207), True)
    assert [s.kind for s in segments if s.start <= 190.0 < s.end] == ["air"]


def test_ends_of_a_stay_are_those_of_its_recorded_rate() -> None:
    times = np.arange(0.0, 100.0)
    rate = np.interp(times, [0, 40, 50, 100], [20.0, 20.0, 60.0, 60.0])
    rate[70] = np.nan
    cut_at = [Segment("off", 0.0, 2.0), Segment("plateau", 2.0, 46.0), Segment("plateau", 46.0, 99)]
    told = at_recorded_rates(cut_at, times, rate)
    assert [(s.kind, s.start, s.end) for s in told] == [
        ("off", 0.0, 2.0),
        ("plateau", 2.0, 40.0),
        ("ramp", 40.0, 50.0),
        ("plateau", 50.0, 99.0),
    ]


def test_ends_stay_where_a_recorded_rate_never_rests() -> None:
    times = np.arange(0.0, 100.0)
    cut_at = [Segment("plateau", 0.0, 60.0), Segment("off", 60.0, 99.0)]
    assert at_recorded_rates(cut_at, times, 50.0 + 20.0 * np.sin(times)) == cut_at


def test_a_very_long_log_is_cut_as_well_as_a_short_one() -> None:
    # Lags and noise are learnt on a part of it; the night before has nothing to teach.
    day = [Step("off", 42000), *VISIT[1:]]
    one = made(day, interval=5.0)
    segments = propose_cut(one.times, {k: one.columns[k] for k in ("o2_dry", "stack_temperature")})
    true = [s for s in one.truth if s.kind == "fire"]
    plateaus = [s for s in segments if s.kind == "plateau"]
    assert len(plateaus) == len(true)
    assert all(abs(a.end - b.end) < 30.0 for a, b in zip(plateaus, true, strict=True))


def test_a_low_fire_called_zero_is_a_plateau() -> None:
    one = made([Step("purge", 60), Step("fire", 200, 20), Step("fire", 200, 60), Step("off", 90)])
    rate = one.columns["firing_rate"]
    columns = {**one.columns, "firing_rate": np.maximum(rate - 20.0, 0.0)}
    segments = propose_cut(one.times, columns, options=KNOWN)
    assert [s.firing_rate for s in segments if s.kind == "plateau"] == [0.0, 40.0]


def test_a_log_without_flame_has_no_plateau() -> None:
    one = made([Step("off", 400), Step("purge", 200)])
    assert [s for s in cut(one, rate=False) if s.kind == "plateau"] == []


def test_too_little_to_cut_gives_nothing() -> None:
    assert propose_cut(np.arange(5.0), {"o2_dry": np.full(5, 4.0)}) == []
    assert propose_cut(np.arange(50.0), {"room_co": np.zeros(50)}) == []
    assert propose_cut(np.arange(50.0), {"o2_dry": np.full(50, np.nan)}) == []


def test_times_must_ascend_and_columns_must_be_as_long() -> None:
    with pytest.raises(ValueError, match="ascending"):
        propose_cut(np.array([1.0, 0.0]), {"o2_dry": np.zeros(2)})
    with pytest.raises(ValueError, match="as many values"):
        propose_cut(np.arange(3.0), {"o2_dry": np.zeros(2)})


def test_a_stay_too_short_to_settle_is_reported_unsettled() -> None:
    one = made(
        [Step("purge", 60), *(Step("fire", t, r) for t, r in ((200, 20), (28, 100), (200, 20)))]
    )
    segments = cut(one, rate=True)
    short = [s for s in segments if s.kind == "plateau" and s.firing_rate == 100.0]
    assert all(not s.values["stack_temperature"].settled for s in short)
    assert sum(s.settled for s in segments) == 2


def test_a_stay_that_was_wanted_longer_than_the_burner_held_it_is_unsettled() -> None:
    # 100 s are wanted; the servo takes 28 of them, and three response times are 90 s.
    one = made(
        [Step("purge", 45), Step("fire", 220, 30), Step("fire", 100, 100), Step("fire", 220, 30)]
    )
    wanted = np.zeros(len(one.times))
    for span in one.truth:
        if span.kind in ("fire", "ramp"):
            wanted[one.times >= span.start] = span.firing_rate
    columns = {**one.columns, "firing_rate": wanted}
    plateaus = [
        s
        for s in propose_cut(one.times, columns, options=CutOptions(response_time=30.0))
        if s.kind == "plateau"
    ]
    assert [s.firing_rate for s in plateaus] == [30, 100, 30]
    assert [s.settled for s in plateaus] == [True, False, True]
    assert plateaus[1].end - plateaus[1].start > 3.05 * 30.0  # by its length alone it was


def test_a_recorded_rate_is_the_basis_file_and_makes_points() -> None:
    one = made()
    points = points_of_cut(cut(one, rate=True), fuel="natural_gas", phase="as_left")
    assert [(p.key.firing_rate, p.key.pass_number, p.rate_basis) for p in points] == [
        (20.0, 1, "file"),
        (60.0, 1, "file"),  # fresh air in the probe does not make a second pass
        (100.0, 1, "file"),
        (40.0, 1, "file"),
    ]
    for point in points:
        truth = BoilerModel().steady(point.key.firing_rate, 20, 60)
        assert point.mean("o2_dry") == pytest.approx(truth["o2_dry"], abs=0.15)
        assert point.values["o2_dry"].u_mean is not None


def test_a_return_to_a_rate_is_a_second_pass() -> None:
    one = made([Step("purge", 60), *(Step("fire", 200, r) for r in (20, 60, 20))])
    points = points_of_cut(cut(one, rate=True), fuel="natural_gas", phase="trial")
    assert [(p.key.firing_rate, p.key.pass_number) for p in points] == [(20, 1), (60, 1), (20, 2)]


def test_stack_temperature_alone_only_proposes_a_rate() -> None:
    segments = cut(made(), rate=False, rates=(20, 40, 60, 100))
    plateaus = [s for s in segments if s.kind == "plateau"]
    assert [s.firing_rate for s in plateaus] == [20, 60, 60, 100, 40]
    assert {s.rate_basis for s in plateaus} == {"proposed"}
    assert points_of_cut(segments, fuel="natural_gas", phase="as_left") == []
    assert len(undecided(segments)) == 5


def test_two_signals_that_agree_decide_a_rate() -> None:
    steady = {r: BoilerModel().steady(r, 20, 60)["o2_dry"] for r in (20, 40, 60, 100)}
    aims = tuple(RateAim(float(r), o2) for r, o2 in steady.items())
    segments = cut(made(), rate=False, rates=aims)
    plateaus = [s for s in segments if s.kind == "plateau"]
    assert [s.rate_basis for s in plateaus if s.firing_rate == 100] == ["two_signals"]
    swapped = (RateAim(20.0, steady[100]), RateAim(40.0, steady[40]), RateAim(60.0, steady[60]),
               RateAim(100.0, steady[20]))  # fmt: skip
    contradicted = cut(made(), rate=False, rates=swapped)
    assert all(
        s.rate_basis == "proposed"
        for s in contradicted
        if s.kind == "plateau" and s.firing_rate in (20, 100)
    )


def test_rates_that_do_not_count_up_with_the_levels_are_not_guessed() -> None:
    plateaus = [s for s in cut(made(), rate=False, rates=(20, 100)) if s.kind == "plateau"]
    assert {s.firing_rate for s in plateaus} == {None}


def test_an_adjustment_tells_as_found_from_as_left() -> None:
    program = [Step("purge", 60), *(Step("fire", 220, r, -0.08) for r in (20, 60, 100)),
               *(Step("fire", 220, r) for r in (100, 60, 20))]  # fmt: skip
    segments = cut(made(program), rate=True)
    phases = proposed_phases(segments)
    points = points_of_cut(segments, fuel="natural_gas", phases=phases)
    found = [p.key.firing_rate for p in points if p.key.phase == "as_found"]
    left = [p.key.firing_rate for p in points if p.key.phase == "as_left"]
    assert found == [20, 60, 100]
    assert left[-1] == 20
    assert proposed_phases(cut(made(), rate=True)) == {}


def test_corrections_move_name_drop_split_and_leave_the_proposal_alone() -> None:
    one = made()
    segments = cut(one, rate=False)
    first = next(s for s in segments if s.kind == "plateau")
    fixed = apply_corrections(
        segments,
        [
            Correction("rate", at=first.start + 20, rate=20.0, by="A. Person"),
            Correction("move", at=first.end, to=first.end - 30.0),
            Correction("split", at=first.start + 60.0),
            Correction("drop", at=first.start + 30.0, why="still warming up"),
        ],
        one.times,
        one.columns,
        options=KNOWN,
    )
    plateau = next(s for s in fixed if s.kind == "plateau")
    assert (plateau.start, plateau.end) == (first.start + 60.0, first.end - 30.0)
    assert (plateau.firing_rate, plateau.rate_basis) == (20.0, "confirmed")
    assert plateau.values["o2_dry"].count < first.values["o2_dry"].count
    assert "A. Person" not in plateau.why
    assert "still warming up" in next(s for s in fixed if s.start == first.start).why
    assert next(s for s in segments if s.kind == "plateau") == first


def test_corrected_figures_take_the_response_that_the_log_shows() -> None:
    # 130 s is three response times of 30 s, but not of the 55 s that this instrument needs.
    one = log(BoilerModel(), VISIT, np.random.default_rng(3), response_time=55.0)
    columns = {k: one.columns[k] for k in ("o2_dry", "co_dry", "stack_temperature")}
    segments = propose_cut(one.times, columns)
    assert lags_of_cut(segments, one.times, columns)[1] == pytest.approx(55.0, rel=0.1)
    longest = max((s for s in segments if s.kind == "plateau"), key=lambda s: s.end - s.start)
    wanted = Correction("move", at=longest.end, to=longest.start + 130.0)
    fixed = apply_corrections(segments, [wanted], one.times, columns)
    moved = next(s for s in fixed if s.start == longest.start)
    assert not moved.values["o2_dry"].settled
    stated = CutOptions(response_time=30.0)
    fixed = apply_corrections(segments, [wanted], one.times, columns, options=stated)
    assert next(s for s in fixed if s.start == longest.start).values["o2_dry"].settled


def test_a_correction_that_does_not_fit_says_what_would() -> None:
    one = made()
    segments = cut(one, rate=False)
    for wrong, words in (
        (Correction("move", at=segments[0].end, to=1e6), "can move between"),
        (Correction("rate", at=200.0, rate=150.0), "0 to 110"),
        (Correction("drop", at=-5.0), "outside the log"),
        (Correction("rate", at=1.0, rate=50.0), "no plateau to name"),
    ):
        with pytest.raises(CorrectionError, match=words):
            apply_corrections(segments, [wrong], one.times, one.columns)


def test_readings_of_a_log_keep_their_lines_in_their_point() -> None:
    one = made()
    begin = datetime(2026, 3, 4, 9, tzinfo=UTC)
    readings = [
        Reading(
            {k: float(v[i]) for k, v in one.columns.items()},
            time=datetime.fromtimestamp(begin.timestamp() + float(t), UTC),
            lines=(i + 2,),
        )
        for i, t in enumerate(one.times)
    ]
    started, times, columns, kept = log_of_readings(readings[::-1])
    assert started == begin
    segments = propose_cut(times, columns, options=KNOWN)
    points = points_of_cut(
        segments, fuel="natural_gas", phase="as_left", started=started, readings=kept
    )
    first = points[0]
    assert first.started is not None
    assert first.lines[0] == 2 + round((first.started - begin).total_seconds())
    assert len(first.readings) == len(first.lines)
