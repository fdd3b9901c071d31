"""Logs with a trap in them: of two burners, with nothing for minutes, with O2 of wet gas alone."""

from __future__ import annotations

from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from api.command import main as command
from ingest.cut_logs import read_log
from ingest.how_read import HowRead
from parsers import PointsUnclear
from parsers.cut_corrections import Correction, apply_corrections
from parsers.cut_points import points_of_cut
from parsers.gaps import without_gaps
from parsers.plateaus import propose_cut, with_figures
from parsers.segments import NO_SAMPLE, CutOptions, Segment
from samples.plant_log import PlantLog, Step
from tests import logs

STAYS = (Step("purge", 45), Step("fire", 400, 50), Step("fire", 300, 100), Step("off", 60))
KNOWN = CutOptions(response_time=30.0)


def of_burners(*names: str) -> bytes:
    """Return a log whose rows name these burners in turn."""
    head, *rows = logs.as_csv(logs.made(STAYS), rate=True).decode().splitlines()
    named = [f"{row},{names[n % len(names)]}" for n, row in enumerate(rows)]
    return "\n".join([f"{head},Burner", *named, ""]).encode()


@pytest.mark.parametrize("quick", [False, True])
def test_a_log_of_two_burners_is_refused_with_both_named(
    monkeypatch: pytest.MonkeyPatch, quick: bool
) -> None:
    if quick:
        monkeypatch.setattr("parsers.reader.BULK_BYTES", 1)
        monkeypatch.setattr("parsers.bulk._HEAD", 1 << 12)
    with pytest.raises(PointsUnclear, match="several burners: north, south") as refused:
        read_log(of_burners("north", "south"), "log.csv", HowRead())
    assert refused.value.problems[0].next_step == "Hand over a log of each burner on its own."
    # One that begins with the second burner far into the log is no better.
    head, *rows = of_burners("north").decode().splitlines()
    late = [r.replace("north", "south") if n > 600 else r for n, r in enumerate(rows)]
    with pytest.raises(PointsUnclear, match="several burners"):
        read_log("\n".join([head, *late, ""]).encode(), "late.csv", HowRead())
    one = read_log(of_burners("north"), "one.csv", HowRead())
    assert one.count == len(rows)


def test_the_command_cuts_no_log_of_two_burners(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_bytes(of_burners("north", "south"))
    run = CliRunner().invoke(command, ["read", str(file), "--cut"])
    assert run.exit_code == 2
    assert "several burners: north, south. Cut a log of each burner on its own." in run.stderr


def with_gap(one: PlantLog, seconds: float) -> tuple[np.ndarray, dict[str, np.ndarray], float]:
    """Return the log with nothing read for so long in the middle of its first stay, and where."""
    stay = next(s for s in one.truth if s.kind == "fire")
    at = stay.start + 200.0
    later = np.where(one.times > at, one.times + seconds, one.times)
    return later, dict(one.columns), at


@pytest.mark.parametrize("rate", [False, True])
def test_a_stay_is_parted_where_nothing_was_read_for_long(rate: bool) -> None:
    times, columns, at = with_gap(logs.made(STAYS), 600.0)
    if not rate:
        del columns["firing_rate"]
    segments = propose_cut(times, columns, options=KNOWN)
    assert all(a.end == b.start for a, b in pairwise(segments))
    before, gap, after = (
        s for s in segments if s.start < at + 610 and s.end > at - 10 and s.end > s.start
    )
    assert [s.kind for s in (before, gap, after)] == ["plateau", "ramp", "plateau"]
    assert gap.why == NO_SAMPLE
    assert (gap.start, gap.end) == pytest.approx((at, at + 600), abs=2)
    # Figures are of their own side: no more samples than it has.
    for part in (before, after):
        inside = int(((times >= part.start) & (times <= part.end)).sum())
        assert 0 < part.values["o2_dry"].count <= inside


def test_a_short_break_parts_nothing() -> None:
    times, columns, at = with_gap(logs.made(STAYS), 100.0)
    segments = propose_cut(times, columns, options=KNOWN)
    (stay,) = (s for s in segments if s.start < at < s.end)
    assert stay.kind == "plateau"
    assert stay.end > at + 100


def test_both_sides_of_a_gap_are_points_of_their_own_until_a_person_joins_them() -> None:
    times, columns, at = with_gap(logs.made(STAYS), 600.0)

    def points(segments: list[Segment]) -> list[tuple[float, int]]:
        made = points_of_cut(segments, fuel="natural_gas", phase="as_left")
        return [(p.key.firing_rate, p.key.pass_number) for p in made]

    segments = propose_cut(times, columns, options=KNOWN)
    assert points(segments) == [(50, 1), (50, 2), (100, 1)]
    joins = [Correction("join", at), Correction("join", at + 600)]
    joined = apply_corrections(segments, joins, times, columns, options=KNOWN)
    assert points(joined) == [(50, 1), (100, 1)]


@pytest.mark.parametrize(
    ("times", "longest", "kinds"),
    [
        ([0, 10, 20, 140, 150], 120.0, ["plateau"]),
        ([0, 10, 20, 141, 150], 120.0, ["plateau", "ramp", "plateau"]),
        ([0, 10, 200, 210, 400, 410], 120.0, ["plateau", "ramp", "plateau", "ramp", "plateau"]),
        ([0, 200], 120.0, ["ramp"]),
    ],
)
def test_parts_of_a_stay_meet_and_lose_nothing(
    times: list[float], longest: float, kinds: list[str]
) -> None:
    at = np.array(times, dtype=float)
    parts = without_gaps([Segment("plateau", at[0], at[-1])], at, longest)
    assert [p.kind for p in parts] == kinds
    assert (parts[0].start, parts[-1].end) == (at[0], at[-1])
    assert all(a.end == b.start for a, b in pairwise(parts))


def test_a_burner_that_stands_still_over_gaps_is_one_stretch() -> None:
    at = np.array([0, 10, 20, 300, 600, 900, 910], dtype=float)
    off = Segment("off", 10.0, 750.0)
    parts = without_gaps(
        [Segment("air", 0.0, 10.0), off, Segment("plateau", 750.0, 910.0)], at, 120
    )
    assert [(p.kind, p.start, p.end) for p in parts] == [
        ("air", 0, 10),
        ("off", 10, 750),
        ("ramp", 750, 900),
        ("plateau", 900, 910),
    ]


@pytest.mark.parametrize("wide", [0.0, 3600.0])
def test_what_lies_in_a_gap_belongs_to_no_stay_of_either_side(wide: float) -> None:
    one = logs.made(STAYS)
    low, high = (s for s in one.truth if s.kind == "fire")
    # The first stay is left and the second is reached while nothing is read.
    read = (one.times <= low.start + 250) | (one.times >= high.start + 120)
    times = one.times[read]
    times = np.where(times > low.start + 250, times + wide, times)
    columns = {k: v[read] for k, v in one.columns.items()}
    begin, end = low.start + 250, high.start + 120 + wide
    for keys in (tuple(columns), ("o2_dry", "co_dry", "stack_temperature")):
        segments = propose_cut(times, {k: columns[k] for k in keys}, options=KNOWN)
        assert all(a.end == b.start for a, b in pairwise(segments))
        (gap,) = (s for s in segments if s.why == NO_SAMPLE)
        assert (gap.start, gap.end) == pytest.approx((begin, end), abs=2)
        assert all(s is gap or s.end <= gap.start or s.start >= gap.end for s in segments)


def test_wet_oxygen_alone_tells_flame_from_air_and_makes_no_dry_figure() -> None:
    one = logs.made(
        (Step("purge", 60), Step("fire", 300, 40), Step("air", 60, 40), Step("fire", 300, 100))
    )
    # Flue gas of natural gas at this excess air holds some 0.17 of water (handbook figure,
    # memory); air hardly any. Wet is dry times what is not water.
    dry = one.columns["o2_dry"]
    wet = dry * np.where(dry > 17.5, 1.0, 0.83)
    keep = ("stack_temperature", "firing_rate")
    columns = {k: one.columns[k] for k in keep}
    by_wet = propose_cut(one.times, {**columns, "o2_wet": wet}, options=KNOWN)
    by_dry = propose_cut(one.times, {**columns, "o2_dry": dry}, options=KNOWN)
    told = [[(s.kind, s.start) for s in found if s.kind != "ramp"] for found in (by_wet, by_dry)]
    assert [k for k, _ in told[0]] == [k for k, _ in told[1]]
    assert {"air", "plateau"} <= {k for k, _ in told[0]}
    assert [t for _, t in told[0]] == pytest.approx([t for _, t in told[1]], abs=10)
    for s in by_wet:
        assert "o2_dry" not in s.values
    figures = [s.values["o2_wet"].mean for s in by_wet if s.kind == "plateau"]
    assert figures == pytest.approx(
        [0.83 * s.values["o2_dry"].mean for s in by_dry if s.kind == "plateau"], abs=0.05
    )
    # Where a dry gas was read, it tells: an in-situ sensor beside it may stand in another place.
    assert [
        s.kind for s in propose_cut(one.times, {**columns, "o2_dry": dry, "o2_wet": 0 * wet})
    ].count("air") == 1


def test_figures_are_taken_once_for_each_stretch(monkeypatch: pytest.MonkeyPatch) -> None:
    one = logs.made(STAYS)
    segments = propose_cut(one.times, one.columns, options=KNOWN)
    stays = [s for s in segments if s.kind == "plateau"]
    moves = [Correction("move", s.end, to=s.end - 5 - n) for n, s in enumerate(stays)]
    splits = [Correction("split", (s.start + s.end) / 2) for s in stays]
    taken: list[Segment] = []

    def counted(segment: Segment, *given: Any) -> Segment:
        taken.append(segment)
        return with_figures(segment, *given)

    monkeypatch.setattr("parsers.cut_corrections.with_figures", counted)
    held: dict[tuple[float, float], Segment] = {}
    made = partial(apply_corrections, segments, times=one.times, columns=one.columns, options=KNOWN)
    first = made(moves, figures=held)
    count = len(taken)
    assert count == len(moves)
    # A rate more takes none anew, and stands although the stretch was held without it.
    named = Correction("rate", stays[0].start + 50, rate=42.0)
    again = made([*moves, named], figures=held)
    assert len(taken) == count
    assert next(s.firing_rate for s in again if s.kind == "plateau") == 42.0
    assert [s.values for s in again] == [s.values for s in first]
    both = made([*moves, *splits], figures=held)
    assert len(taken) == count + 2 * len(splits)
    assert both == made([*moves, *splits])
