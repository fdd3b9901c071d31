"""A boiler's limits: changed on a form, tried on the last year's visits, kept with a reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.charts import number
from api.pages.facts import finding_shown
from api.pages.life import missing
from api.pages.numbers import typed_number
from api.pages.render import page, shown_for
from api.pages.show import Shown
from api.routes.shared import IntakeOf, decider
from api.words import N_, _, words
from ingest.documents import DocumentError, boiler_from
from ingest.intake import Intake, WordsMissing
from ingest.intake_limits import Tried
from ingest.limits import LimitSet
from ingest.models import Boiler, Limits
from ingest.store import NotFound, StateConflict, VersionConflict

router = APIRouter(prefix="/boilers/{boiler_id}/limits", include_in_schema=False)

# Key of the limit -> its words, the quantity whose unit and decimals it is read in.
_FIELDS: Mapping[str, tuple[str, str]] = {
    "co_air_free_check": (N_("CO air-free, check from"), "co_air_free"),
    "co_air_free_fix": (N_("CO air-free, fix from"), "co_air_free"),
    "co_air_free_stop": (N_("CO air-free, stop from"), "co_air_free"),
    "stack_temperature_max": (N_("Stack temperature, at most"), "stack_temperature"),
    "vent_temperature_max": (N_("Vent temperature, at most"), "stack_temperature"),
    "return_water_min": (N_("Return water, at least"), "return_water_temperature"),
    "nox_at_3_o2_max": (N_("NOx at 3 % O2, at most"), "co_air_free"),
    "o2_spread_max": (N_("O2 spread beyond the target curve, at most"), "o2_dry"),
    "flame_signal_min": (N_("Flame signal, at least"), "flame_signal"),
}
_EDGES = ("low", "aim", "high")
_SPARE_ROWS = 2


@dataclass(frozen=True, slots=True)
class LimitField:
    """One limit on the form; ``otherwise`` is what holds where the boiler states none."""

    key: str
    label: str
    unit: str
    value: str
    otherwise: str


def _plain(value: float | None, decimals: int) -> str:
    """Return a number as a field holds it: digits that a form sends back as they are."""
    if value is None:
        return ""
    return f"{value:.{decimals + 2}f}".rstrip("0").rstrip(".")


def entries_of(limits: Limits, shown: Shown) -> dict[str, str]:
    """Return the form's entries for the limits that a boiler states."""
    out = {}
    for key, (_words, quantity) in _FIELDS.items():
        value = getattr(limits, key)
        converted = None if value is None else shown.converted(quantity, value)
        out[key] = _plain(converted, shown.decimals(quantity))
    for n, target in enumerate(t for t in limits.targets if t.o2_dry and t.fuel is None):
        out[f"rate.{n}"] = f"{target.firing_rate:g}"
        for edge in _EDGES:
            out[f"{edge}.{n}"] = _plain(getattr(target.o2_dry, edge), 1)
    return out


def _number(entries: Mapping[str, str], name: str, problems: list[str]) -> float | None:
    text = entries.get(name, "").strip()
    if not text:
        return None
    try:
        return typed_number(text)
    except ValueError:
        problems.append(_("{text} is not a number.", text=text[:30]))
        return None


def limits_asked(
    boiler: Boiler, entries: Mapping[str, str], shown: Shown
) -> tuple[Limits, list[str]]:
    """Return the limits that the form asks for, and what is wrong with it.

    What the form does not hold (targets of one fuel, targets in CO2, pressures) stays as it is.
    """
    problems: list[str] = []
    document: dict[str, Any] = boiler.model_dump(mode="json", exclude_none=True)
    limits = document.setdefault("limits", {})
    for key, (_words, quantity) in _FIELDS.items():
        limits.pop(key, None)
        value = _number(entries, key, problems)
        if value is not None:
            limits[key] = shown.canonical(quantity, value)
    before = entries_of(boiler.limits, shown)
    for key in _FIELDS:
        # An entry left as it was keeps the number behind it, not what its rounding says.
        if entries.get(key, "") == before[key] and getattr(boiler.limits, key) is not None:
            limits[key] = getattr(boiler.limits, key)
    kept = [
        t.model_dump(mode="json", exclude_none=True)
        for t in boiler.limits.targets
        if not t.o2_dry or t.fuel is not None
    ]
    for n in range(_rows(entries)):
        rate = _number(entries, f"rate.{n}", problems)
        band = {e: v for e in _EDGES if (v := _number(entries, f"{e}.{n}", problems)) is not None}
        if rate is not None and band:
            kept.append({"firing_rate": rate, "o2_dry": band})
        elif rate is not None or band:
            problems.append(_("A target needs its firing rate and one of low, aim and high."))
    limits["targets"] = kept
    if entries.get("source", "").strip():
        limits["source"] = entries["source"].strip()[:200]
    if problems:
        return boiler.limits, problems
    try:
        return boiler_from(document, _("the form")).limits, []
    except DocumentError as error:
        return boiler.limits, [p.message for p in error.problems]


def _rows(entries: Mapping[str, str]) -> int:
    numbers = [int(k[5:]) for k in entries if k.startswith("rate.") and k[5:].isdigit()]
    return min(max(numbers, default=-1) + 1, 50)


def _fields(entries: Mapping[str, str], set_now: LimitSet, shown: Shown) -> list[LimitField]:
    out = []
    for key, (label, quantity) in _FIELDS.items():
        there = set_now.get(key)
        otherwise = ""
        if there is not None and there.source.level != "boiler":
            value = number(shown.converted(quantity, float(there.value)), shown.decimals(quantity))
            otherwise = _("otherwise {value} ({source})", value=value, source=there.source.text)
        out.append(LimitField(key, _(label), shown.unit(quantity), entries.get(key, ""), otherwise))
    return out


def _tried(tried: Sequence[Tried], shown: Shown) -> list[dict[str, Any]]:
    return [
        {
            "id": one.visit.id,
            "day": words().day(one.visit.started),
            "new": [(f.severity, finding_shown(f.message, f.severity, shown)) for f in one.new],
            "gone": [(f.severity, finding_shown(f.message, f.severity, shown)) for f in one.gone],
        }
        for one in tried
        if one.new or one.gone
    ]


def _shown_page(
    request: Request,
    intake: Intake,
    boiler_id: UUID,
    entries: Mapping[str, str] | None = None,
    problems: Sequence[str] = (),
    tried: Sequence[Tried] | None = None,
    status: int = 200,
) -> Response:
    shown = shown_for(request)
    life = intake.life(boiler_id)
    entries = entries_of(life.boiler.limits, shown) if entries is None else entries
    rows = max(_rows(entries), 2) + _SPARE_ROWS
    return page(
        request,
        "limits.html",
        title=_("Limits of {name}", name=life.boiler.name),
        status=status,
        boiler=life.boiler,
        version=entries.get("version") or intake.boiler(boiler_id).version,
        fields=_fields(entries, life.limits, shown),
        targets=[
            {name: entries.get(f"{name}.{n}", "") for name in ("rate", *_EDGES)}
            for n in range(rows)
        ],
        source=entries.get("source", life.boiler.limits.source or ""),
        why=entries.get("why", ""),
        problems=problems,
        tried=None if tried is None else _tried(tried, shown),
        looked=0 if tried is None else len(tried),
    )


@router.get("")
def limits(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Show the limits as a form."""
    try:
        return _shown_page(request, intake, boiler_id)
    except NotFound:
        return missing(request)


@router.post("")
async def change(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Try the limits on the last year's visits, or keep them."""
    async with request.form() as form:
        entries = {k: v[:1000] for k, v in form.items() if isinstance(v, str)}

    def answered() -> Response:
        try:
            boiler = intake.boiler(boiler_id).document
        except NotFound:
            return missing(request)
        asked, problems = limits_asked(boiler, entries, shown_for(request))
        if problems:
            return _shown_page(request, intake, boiler_id, entries, problems, status=422)
        tried = intake.try_limits(boiler_id, asked)
        if entries.get("act") != "keep":
            return _shown_page(request, intake, boiler_id, entries, tried=tried)
        try:
            who = decider(request, entries.get("who", "")[:100])
            version = int(entries.get("version") or 0)
            intake.keep_limits(
                boiler_id, asked, who, entries.get("why", ""), expected_version=version
            )
        except (WordsMissing, VersionConflict, StateConflict, ValueError) as error:
            said = [_("Nothing was kept: {why}.", why=str(error))]
            return _shown_page(request, intake, boiler_id, entries, said, tried, status=422)
        return RedirectResponse(f"/boilers/{boiler_id}", status_code=303)

    return await run_in_threadpool(answered)
