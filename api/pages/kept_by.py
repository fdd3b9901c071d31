"""Which service plans a boiler is kept by, and those that it may name itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from api.plan_words import plan_text
from api.words import _
from ingest.models import Boiler
from ingest.service.kept import ROUTINE, of_its_kind
from ingest.service.plans import Plan


@dataclass(frozen=True, slots=True)
class Choice:
    """A plan that a boiler may name, and whether it does."""

    key: str
    title: str
    named: bool


@dataclass(frozen=True, slots=True)
class KeptBy:
    """What keeps a boiler, said; ``gone`` are plans that it names and that are not in force."""

    said: str
    gone: Sequence[str]
    otherwise: str
    choices: Sequence[Choice]


def kept_by(
    boiler: Boiler, known: Mapping[str, Plan], named: Sequence[str] | None = None
) -> KeptBy:
    """Return what keeps a boiler.

    Parameters
    ----------
    known : mapping of plan key to Plan
        The plans in force.
    named : sequence of str or None
        Keys as a form was filled in, in place of the boiler's own.
    """
    usual = ", ".join(plan_text(p.title) for p in of_its_kind(boiler, known))
    own = ", ".join(plan_text(known[k].title) for k in boiler.plans if k in known)
    gone = [k for k in boiler.plans if k not in known]
    if gone:
        said = _("It names a plan that is not in force, so nothing falls due by any plan.")
    elif own:
        said = _("It names its own: {plans}.", plans=own)
    elif usual:
        said = _("It names none, so those of its kind keep it: {plans}.", plans=usual)
    else:
        said = _("It names none, and there is none of its kind: nothing falls due by a plan.")
    otherwise = (
        _("With none chosen those of its kind keep it: {plans}.", plans=usual)
        if usual
        else _("With none chosen nothing falls due by a plan: there is none of its kind.")
    )
    return KeptBy(said, gone, otherwise, _choices(boiler, known, named))


def _choices(
    boiler: Boiler, known: Mapping[str, Plan], named: Sequence[str] | None
) -> list[Choice]:
    """Return the routine plans for the fuel, of all fuels where none is, and what is named."""
    ticked = boiler.plans if named is None else named
    routine = [p for p in known.values() if p.purpose in ROUTINE]
    fitting = [p for p in routine if boiler.fuel in p.fuels] or routine
    titles = {p.key: plan_text(p.title) for p in fitting}
    titles |= {k: plan_text(known[k].title) for k in boiler.plans if k in known}
    return [Choice(k, titles[k], k in ticked) for k in sorted(titles, key=lambda k: titles[k])]
