"""A trial of limits or of a plan as a page shows it: sentence, counts, visits that change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from api.pages.compare import signed
from api.pages.facts import finding_shown
from api.pages.show import Shown
from api.words import _, words
from ingest.judgement import Flag
from ingest.limits_tried import Trial, Tried
from ingest.rules import RULES

MOST_LISTED = 60
"""Visits of a trial that are listed; all are counted."""


@dataclass(frozen=True, slots=True)
class Changed:
    """One visit of a trial: whose, and what comes and goes, as severity and sentence."""

    address: str
    day: str
    boiler: str
    new: Sequence[tuple[str, str]]
    gone: Sequence[tuple[str, str]]


def _sentences(one: Tried, flags: Sequence[Flag], shown: Shown) -> list[tuple[str, str]]:
    return [
        (f.severity, finding_shown(f.message, f.severity, shown, one.figures.get(f.message, ())))
        for f in flags
    ]


def _changed(tried: Sequence[Tried], shown: Shown) -> list[Changed]:
    return [
        Changed(
            f"/visits/{one.visit.id}",
            words().day(one.visit.started) if one.visit.started else "",
            one.boiler,
            _sentences(one, one.new, shown),
            _sentences(one, one.gone, shown),
        )
        for one in tried
    ]


def trial_view(trial: Trial, shown: Shown) -> dict[str, Any]:
    """Return a trial as its template shows it."""
    lists = (
        (_("Newly flagged"), trial.newly_flagged),
        (_("No longer flagged"), trial.no_longer_flagged),
        (_("Flagged otherwise than before"), trial.otherwise_changed),
    )
    counts = [
        (
            c.severity,
            f"/help/rules/{c.rule}",
            _(RULES[c.rule].title) if c.rule in RULES else c.rule,
            c.before,
            c.after,
            "=" if c.before == c.after else signed(c.after - c.before, 0),
        )
        for c in trial.counts()
    ]
    return {
        "since": words().day(trial.since),
        "until": words().day(trial.until),
        "finished": trial.finished,
        "looked": len(trial.tried),
        "counts": counts,
        "lists": [
            (title, len(found), _changed(found[:MOST_LISTED], shown))
            for title, found in lists
            if found
        ],
        "newly": len(trial.newly_flagged),
        "no_longer": len(trial.no_longer_flagged),
        "otherwise": len(trial.otherwise_changed),
        "any": any(one.new or one.gone for one in trial.tried),
    }


def days_asked(
    entries: Mapping[str, str], first: date, last: date
) -> tuple[tuple[date, date], list[str]]:
    """Return the days that a form asks for, those given where it leaves them empty.

    Returns
    -------
    tuple of ((date, date), list of str)
        Also, what is wrong with them.
    """
    problems: list[str] = []
    since = _day(entries, "since", first, problems)
    until = _day(entries, "until", last, problems)
    if not problems and since > until:
        problems.append(_("The first day is after the last."))
    return (since, until), problems


def _day(entries: Mapping[str, str], name: str, otherwise: date, problems: list[str]) -> date:
    text = entries.get(name, "").strip()
    try:
        return date.fromisoformat(text) if text else otherwise
    except ValueError:
        problems.append(_("{text} is not a day.", text=text[:30]))
        return otherwise
