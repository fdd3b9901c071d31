"""What a chart shows, as plain numbers and words: one specification for the page and the report.

The drawing (``api.charts``), the table behind it and what is said at a point are all made from the
same records, so that none can say what another does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from api.words import N_, _, capital, words

COVERAGE = 2.0
"""Factor from a standard uncertainty to the expanded one that charts and tables show."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One firing point of a curve; ``above`` says that the value lies beyond what was shown.

    ``spread`` is the expanded uncertainty in the unit shown, 0 where it is not known; ``source``
    says where the value comes from, ``href`` leads there.
    """

    firing_rate: float
    value: float
    above: bool = False
    spread: float = 0.0
    source: str = ""
    href: str = ""


@dataclass(frozen=True, slots=True)
class Curve:
    """The points of one pass, low fire first."""

    name: str
    role: Literal["left", "found", "earlier"]
    marks: Sequence[Mark]


@dataclass(frozen=True, slots=True)
class BandEnd:
    """The target band at one firing rate; an open end is None."""

    firing_rate: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Pane:
    """What one pane shows."""

    key: str
    label: str
    unit: str
    decimals: int
    curves: Sequence[Curve]
    band: Sequence[BandEnd] = ()
    limit: float | None = None
    limit_name: str = N_("limit")


@dataclass(frozen=True, slots=True)
class Told:
    """What is told of one point: in the table behind the chart, and at the point itself."""

    id: str
    name: str
    at: str
    value: str
    spread: str
    source: str
    href: str


def number(value: float, decimals: int) -> str:
    """Return a number as it is shown everywhere: fixed decimals and a true minus.

    >>> number(-12.04, 1)
    '−12.0'
    """
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return words().signs(text).replace("-", "−")


def spread_number(spread: float, decimals: int) -> str:
    """Return an expanded uncertainty; with one more decimal where it would shrink to nothing.

    >>> spread_number(0.41, 1), spread_number(0.04, 1), spread_number(12.4, 0)
    ('0.4', '0.04', '12')
    """
    return number(spread, decimals + (spread < 0.95 * 10.0**-decimals))


def spread_words(spread: float, decimals: int, unit: str) -> str:
    """Return an expanded uncertainty with its coverage factor; that it is not known where it is 0.

    >>> spread_words(0.41, 1, "%")
    '± 0.4 % (k = 2)'
    """
    if spread <= 0:
        return _("uncertainty not known")
    return f"± {spread_number(spread, decimals)} {unit}".rstrip() + f" (k = {COVERAGE:g})"


def stated_number(value: float) -> str:
    """Return a number that somebody stated, with the decimals that it has.

    >>> stated_number(46.7), stated_number(100.0)
    ('46.7', '100')
    """
    return words().signs(f"{value:g}")


def rate_words(rate: float) -> str:
    """Return a firing rate with its unit.

    >>> rate_words(46.7), rate_words(100.0)
    ('46.7 %', '100 %')
    """
    return f"{stated_number(rate)} %"


def value_words(value: float, decimals: int, unit: str, *, above: bool = False) -> str:
    """Return a value with its unit, said to lie above it where the sensor ended."""
    said = f"{number(value, decimals)} {unit}".rstrip()
    return _("above {value}", value=said) if above else said


def held_words(low: float | None, high: float | None, decimals: int, unit: str = "") -> str:
    """Return what a value is held to; nothing where neither end is closed.

    >>> held_words(3.0, 4.5, 1, "%"), held_words(None, 4.5, 1), held_words(3.0, None, 0, "%")
    ('3.0 to 4.5 %', 'at most 4.5', 'at least 3 %')
    """
    if low is not None and high is not None:
        top = value_words(high, decimals, unit)
        return _("{low} to {high}", low=number(low, decimals), high=top)
    if high is not None:
        return _("at most {value}", value=value_words(high, decimals, unit))
    return "" if low is None else _("at least {value}", value=value_words(low, decimals, unit))


def by_rate(curve: Curve) -> list[Mark]:
    """Return the marks of a curve from low to high fire, whatever the order of the file."""
    return sorted(curve.marks, key=lambda m: m.firing_rate)


def told(pane: Pane, ident: str) -> list[Told]:
    """Return every point of a pane in words, line after line, from low to high fire."""
    return [
        Told(
            f"{ident}-{line}-{n}",
            curve.name,
            rate_words(mark.firing_rate),
            value_words(mark.value, pane.decimals, pane.unit, above=mark.above),
            spread_words(mark.spread, pane.decimals, pane.unit),
            mark.source,
            mark.href,
        )
        for line, curve in enumerate(pane.curves)
        for n, mark in enumerate(by_rate(curve))
    ]


def described(pane: Pane) -> str:
    """Return the pane in words, for whoever cannot see it."""
    parts = []
    for curve in pane.curves:
        if curve.role == "earlier":
            continue
        said = ", ".join(
            _(
                "{value} at {rate}",
                value=value_words(m.value, pane.decimals, pane.unit, above=m.above),
                rate=rate_words(m.firing_rate),
            )
            for m in by_rate(curve)
        )
        if said:
            parts.append(f"{curve.name}: {said}.")
    if pane.band:
        ends = ", ".join(_band_words(pane, end) for end in pane.band)
        parts.append(_("Target band: {ends}.", ends=ends))
    if pane.limit is not None:
        name = _(pane.limit_name)
        shown = value_words(pane.limit, pane.decimals, pane.unit)
        parts.append(f"{capital(name)} {shown}.")
    return " ".join(parts) or _("Nothing was read.")


def _band_words(pane: Pane, end: BandEnd) -> str:
    held = held_words(end.low, end.high, pane.decimals, pane.unit) or _("no limit")
    return _("{value} at {rate}", value=held, rate=rate_words(end.firing_rate))
