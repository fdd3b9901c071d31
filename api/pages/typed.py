"""Readings typed at the boiler: one firing rate after another, unit and band beside each field."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.chart_spec import rate_words, stated_number
from api.pages.numbers import typed_number
from api.pages.render import page, shown_for
from api.pages.show import PHASE_WORDS, Shown, label
from api.pages.visit import visit_page
from api.refusals import why_not
from api.routes.shared import IntakeOf, signer
from api.words import _
from combustion.quantities import QUANTITIES
from ingest.identifiers import new_id
from ingest.intake import OPEN_STATES, Intake, VisitView
from ingest.intake_coming import NOT_BEGUN
from ingest.store import NotFound, StateConflict
from parsers import PHASES, FiringPoint, Phase, ReadError, Reading

router = APIRouter(prefix="/visits/{visit_id}/readings", include_in_schema=False)

KEYS = (
    "o2_dry",
    "co_dry",
    "stack_temperature",
    "combustion_air_temperature",
    "co2_dry",
    "no_dry",
    "stack_draft",
    "return_water_temperature",
    "flame_signal",
)
_NUMBER = re.compile(r"[+−-]?\d+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True)
class AtRate:
    """A value or a limit in words, and the rate in percent that it is for; "" is every rate."""

    rate: str
    text: str

    @property
    def at(self) -> str:
        """Return the rate as it is read."""
        return rate_words(float(self.rate))


@dataclass(frozen=True, slots=True)
class Field:
    """One quantity of the form, with what it is held against."""

    key: str
    label: str
    unit: str
    value: str
    held: list[AtRate]
    last: list[AtRate]
    wrong: str


def plain_number(text: str) -> float | None:
    """Return a number of figures and one point or comma; None where it is none.

    >>> plain_number("5,8"), plain_number(" 356 "), plain_number("1,234.5"), plain_number("low")
    (5.8, 356.0, None, None)
    """
    try:
        return typed_number(text) if _NUMBER.fullmatch(text.strip()) else None
    except ValueError:
        return None


def _held(view: VisitView, key: str, shown: Shown) -> list[AtRate]:
    """Return the bands or the limit of a quantity, none where it has none."""
    if key == "o2_dry":
        bands = [(t.firing_rate, t.o2_dry) for t in view.limits.targets]
        return [
            AtRate(f"{rate:g}", shown.limit(key, band.low, band.high))
            for rate, band in bands
            if band is not None
        ]
    limit = view.limits.get(f"{key}_max")
    if limit is None or not isinstance(limit.value, int | float):
        return []
    return [AtRate("", shown.limit(key, None, float(limit.value)))]


def _last(points: Sequence[FiringPoint], key: str, shown: Shown) -> list[AtRate]:
    found = {
        p.key.firing_rate: p.mean(key)
        for p in points
        if p.key.phase == "as_left" and p.mean(key) is not None
    }
    return [AtRate(f"{rate:g}", shown.value(key, found[rate])) for rate in sorted(found)]


def _rates(view: VisitView) -> list[float]:
    known = list(view.visit.rates) or (list(view.boiler.rates) if view.boiler else [])
    return sorted(set(known)) or [25.0, 50.0, 75.0, 100.0]


def _form(
    request: Request,
    view: VisitView,
    entries: Mapping[str, str],
    wrong: Mapping[str, str],
    status: int = 200,
) -> Response:
    shown = shown_for(request)
    before = view.history[-1].points if view.history else ()
    rates = _rates(view)
    phase: str = entries.get("phase") or ("as_left" if view.visit.adjusted else "as_found")
    done = {p.key.firing_rate for p in view.points if p.key.phase == phase}
    following = next((r for r in rates if r not in done), rates[0])
    return page(
        request,
        "typed.html",
        title=_("Type readings"),
        id=view.visit.id,
        coming=view.visit.id == NOT_BEGUN,
        boiler=view.boiler,
        reading=entries.get("reading") or str(new_id()),
        rates=[(f"{r:g}", stated_number(r), r in done) for r in rates],
        rate=entries.get("rate") or f"{following:g}",
        done=[stated_number(r) for r in sorted(done)],
        phases=[(p, PHASE_WORDS[p]) for p in PHASES],
        phase=phase,
        fields=[
            Field(
                key,
                label(key),
                shown.unit(key),
                entries.get(key, ""),
                _held(view, key, shown),
                _last(before, key, shown),
                wrong.get(key, ""),
            )
            for key in KEYS
        ],
        wrong=wrong,
        status=status,
    )


def empty_form(request: Request, view: VisitView) -> Response:
    """Return the form for the next firing rate."""
    return _form(request, view, {"phase": request.query_params.get("phase", "")}, {})


@router.get("")
def show(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Show the form for one firing rate."""
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return visit_page(request, intake, visit_id)
    if view.state not in OPEN_STATES:
        return RedirectResponse(f"/visits/{visit_id}", status_code=303)
    return empty_form(request, view)


@router.post("")
async def take(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take one reading, or show the form again with what is wrong beside the field."""
    async with request.form() as form:
        entries = {k: str(v)[:200] for k, v in form.items() if isinstance(v, str)}
    who = signer(request, entries.get("who")) or "page"
    return await run_in_threadpool(_taken, request, visit_id, intake, entries, who)


def _taken(
    request: Request, visit_id: UUID, intake: Intake, entries: dict[str, str], who: str
) -> Response:
    try:
        view = intake.visit(visit_id)
    except NotFound:
        return visit_page(request, intake, visit_id)
    reading, identity, wrong = reading_from_entries(entries, shown_for(request))
    if not wrong and reading is not None:
        try:
            intake.add_readings(visit_id, [(identity, reading)], who)
        except (StateConflict, ReadError) as error:
            wrong = {"form": f"{why_not(error)}."}
        else:
            at = f"?phase={reading.phase}#typed"
            return RedirectResponse(f"/visits/{visit_id}/readings{at}", status_code=303)
    return _form(request, view, entries, wrong, 422)


def reading_from_entries(
    entries: Mapping[str, str], shown: Shown
) -> tuple[Reading | None, UUID | None, dict[str, str]]:
    """Return the reading that was typed, its id, and what is wrong by field."""
    wrong: dict[str, str] = {}
    values: dict[str, float] = {}
    for key in KEYS:
        text = entries.get(key, "").strip()
        if not text:
            continue
        number = plain_number(text)
        if number is None:
            wrong[key] = _("{text} is not a number", text=text)
            continue
        value = shown.canonical(key, number)
        low, high = QUANTITIES[key].plausible
        if not (math.isfinite(value) and low <= value <= high):
            wrong[key] = _(
                "{text} {unit} cannot be: {limit} is possible",
                text=text,
                unit=shown.unit(key),
                limit=shown.limit(key, low, high),
            )
        values[key] = value
    rate = plain_number(entries.get("other") or entries.get("rate", ""))
    if rate is None or not 0 < rate <= 110:
        wrong["rate"] = _("Choose or type the firing rate, in percent")
    phase: Phase | None = next((p for p in PHASES if p == entries.get("phase")), None)
    if phase is None:
        wrong["phase"] = _("Choose as found, trial or as left")
    if not values and not wrong:
        wrong["form"] = _("Nothing was typed yet.")
    try:
        identity: Any = UUID(entries.get("reading", ""))
    except ValueError:
        identity = None
    if wrong:
        return None, None, wrong
    return Reading(values=values, phase=phase, firing_rate=rate), identity, {}
