"""Firing rates recorded as a mark, a word for low or high fire or the number of a step.

A mark says no percent of itself. Beside the firing rates at which a boiler is tested some do: low
fire is the lowest of them and high fire the highest, and the steps of a burner that has as many are
those rates in order. What that does not settle stays a mark.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from parsers.model import Reading
from parsers.vocabulary import folded

_NAMES: dict[str, frozenset[str]] = {
    "low": frozenset(
        (
            *("low", "lo", "lf", "min", "minimum"),
            *("klein", "kleinlast", "grund", "grundlast", "minimal", "minimallast"),
            *("petit", "petite", "bas", "basse", "mini"),
            *("bajo", "baja", "minimo", "minima"),
        )
    ),
    "part": frozenset(("part", "partial", "teil", "teillast", "partiel", "partielle", "parcial")),
    "mid": frozenset(
        (
            *("mid", "medium", "middle", "mf", "mittel", "mittellast"),
            *("moyen", "moyenne", "medio", "media"),
        )
    ),
    "high": frozenset(
        (
            *("high", "hi", "hf", "max", "maximum", "full"),
            *("voll", "volllast", "maximal", "maximallast", "gross", "grosslast", "hoch"),
            *("grand", "grande", "haut", "haute", "plein", "pleine", "maxi"),
            *("alto", "alta", "maximo", "maxima", "pleno", "plena"),
        )
    ),
}
"""What firing rates are called in English, German, French and Spanish (common practice)."""
_BESIDE = frozenset(
    (
        *("fire", "firing", "rate", "load", "flame", "stage", "step", "no"),
        *("stufe", "last", "feuer", "leistung", "allure", "charge", "feu", "flamme"),
        *("fuego", "carga", "llama", "etapa", "nivel"),
    )
)
"""Words that say nothing beside a mark."""
_STEPS = re.compile(r"\b(stage|step|stufe|\w+stufe|etapa|allure)\b")
MOST_STEPS = 6
"""Burners that fire in steps have no more; nobody fires at that few percent (common practice)."""

OFF = "0"
"""The mark of a burner that is off where others are steps."""


def mark_of(text: str) -> str | None:
    """Return what a text marks: low, part, mid, high, or the number of a step; None for none.

    >>> mark_of("Low fire"), mark_of("HF"), mark_of("fuego mínimo"), mark_of("Stufe 2")
    ('low', 'high', 'low', '2')
    >>> mark_of("2"), mark_of("low high"), mark_of("42 %")
    (None, None, None)
    """
    words = folded(text).split()
    left = [w for w in words if w not in _BESIDE]
    if len(left) != 1:
        return None
    (word,) = left
    if word.isdigit():
        number = word.lstrip("0") or OFF
        return number if len(words) > 1 and int(number) <= MOST_STEPS else None
    return next((name for name, known in _NAMES.items() if word in known), None)


def are_steps(values: NDArray[np.float64], heading: str) -> bool:
    """Return whether the numbers of a rate column are steps of the burner, and no percent.

    Whole numbers from 0 to 6: two or more of them with the first, or under a heading that names
    steps.

    >>> are_steps(np.array([1.0, 2.0, 2.0, 0.0]), "Firing rate")
    True
    >>> are_steps(np.array([0.0, 4.0, 5.0]), "Firing rate"), are_steps(np.array([1.0]), "Stage")
    (False, True)
    """
    found = np.unique(values[np.isfinite(values)])
    if not len(found) or found[-1] > MOST_STEPS or found[0] < 0 or bool((found % 1).any()):
        return False
    if _STEPS.search(folded(heading)):
        return bool(found[-1] > 0)
    return len(found[found > 0]) > 1 and 1.0 in found


def percent_of(marks: Iterable[str], rates: Sequence[float]) -> dict[str, float] | None:
    """Return the percent of each mark of a log by the rates of its boiler, None where unsettled.

    Parameters
    ----------
    marks : iterable of str
        All marks that the log shows, as of :func:`mark_of`.
    rates : sequence of float
        Rates that the boiler is tested at [%].

    Notes
    -----
    All or none: a log in which one mark has no rate would be cut as if that were not recorded. Two
    marks are two rates, whatever each could be called alone.

    >>> percent_of(["low", "high"], [60.0, 30.0, 100.0])
    {'low': 30.0, 'high': 100.0}
    >>> percent_of(["1", "2"], [30.0, 60.0, 100.0]), percent_of(["low", "mid"], [20.0, 40.0])
    (None, None)
    >>> percent_of(["part", "mid", "high"], [30.0, 60.0, 100.0]) is None
    True
    """
    shown = dict.fromkeys(marks)
    steps = [int(m) for m in shown if m.isdigit() and m != OFF]
    ordered = sorted(set(rates))
    if len(ordered) < 2 or (steps and max(steps) != len(ordered)):
        return None
    known = {"low": ordered[0], "high": ordered[-1]}
    known |= {str(n): rate for n, rate in enumerate(ordered, 1)}
    if len(ordered) == 3:
        known |= {"mid": ordered[1], "part": ordered[1]}
    elif len(ordered) == 2 and "low" not in shown:
        known["part"] = ordered[0]
    out = {m: known.get(m) for m in shown if m != OFF}
    told = {m: rate for m, rate in out.items() if rate is not None}
    if not told or len(set(told.values())) < len(out):
        return None
    return told


def stepped(
    readings: list[Reading], headings: Sequence[str], percents: Mapping[str, float]
) -> tuple[list[Reading], list[str]]:
    """Return readings whose rates are steps with the percent of each step, and the steps shown.

    Parameters
    ----------
    readings : list of Reading
        All readings of a file.
    headings : sequence of str
        What the rate's column is called, in each of its tables.
    percents : mapping of str to float
        Percent of each mark; a step that has none leaves its reading without a rate.
    """
    rates = np.array([r.values.get("firing_rate", np.nan) for r in readings])
    if not are_steps(rates, " ".join(headings)):
        return readings, []
    return [stepped_reading(r, percents) for r in readings], steps_of(rates)


def steps_of(rates: NDArray[np.float64]) -> list[str]:
    """Return the steps among the numbers of a rate column, a burner that is off as step 0."""
    return [f"{n:g}" for n in np.unique(rates[np.isfinite(rates)])]


def why_no_percent(step: str) -> str:
    """Return why a reading at a step has no rate."""
    if step == OFF:
        return "step 0: the burner is off"
    return f"step {step}: its percent is not in the file; state it with the rates"


def stepped_reading(reading: Reading, percents: Mapping[str, float]) -> Reading:
    """Return a reading whose rate is a step with the percent of the step, or without a rate."""
    rate = reading.values.get("firing_rate")
    if rate is None:
        return reading
    step, values = f"{rate:g}", dict(reading.values)
    percent = percents.get(step)
    if percent is not None:
        values["firing_rate"] = percent
        return replace(reading, values=values, firing_rate=percent)
    del values["firing_rate"]
    at = {k: place for k, place in reading.at.items() if k != "firing_rate"}
    missing = {**reading.missing, "firing_rate": why_no_percent(step)}
    return replace(reading, values=values, firing_rate=None, missing=missing, at=at)


def why_no_percent_of_name(text: str) -> str:
    """Return why a reading at a named rate has no percent."""
    return f"named rate {text!r}: its percent is not in the file; state it with the rates"


class ByCode(Mapping[int, str]):
    """Why rows of a long log have no rate, by row: looked up by the code of their text."""

    def __init__(self, codes: NDArray[np.int32], reasons: Sequence[str | None]) -> None:
        self._codes = codes
        self._reasons = reasons

    def __getitem__(self, row: int) -> str:
        reason = self._reasons[int(self._codes[row])]
        if reason is None:
            raise KeyError(row)
        return reason

    def __iter__(self) -> Iterator[int]:
        return (n for n in range(len(self)) if self._reasons[self._codes[n]] is not None)

    def __len__(self) -> int:
        return sum(1 for _ in self)


class StepReasons(Mapping[int, str]):
    """Why rows of a long log have no rate, by row: made when asked for."""

    def __init__(self, rates: NDArray[np.float64]) -> None:
        self._rates = rates

    def __getitem__(self, row: int) -> str:
        rate = float(self._rates[row])
        if rate != rate:
            raise KeyError(row)
        return why_no_percent(f"{rate:g}")

    def __iter__(self) -> Iterator[int]:
        return iter(np.flatnonzero(np.isfinite(self._rates)).tolist())

    def __len__(self) -> int:
        return int(np.isfinite(self._rates).sum())
