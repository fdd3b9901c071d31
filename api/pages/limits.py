"""Limits of a boiler and of the company: changed on a form, tried on past visits, then kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.chart_spec import rate_words
from api.pages.life import missing
from api.pages.limit_fields import (
    EDGES,
    FIELDS,
    GROUPS,
    OF,
    Field,
    digest_of,
    entries_of,
    limits_asked,
    rows_of,
    unit_of,
)
from api.pages.limit_words import built_in, otherwise, said, to_mind
from api.pages.render import page, shown_for
from api.pages.show import Shown
from api.pages.trial_view import days_asked, trial_view
from api.refusals import why_not
from api.routes.shared import IntakeOf, decider
from api.words import _, words
from combustion.fuels import FUELS
from ingest.intake import Intake, WordsMissing
from ingest.intake_limits import StatedLimits
from ingest.limits import DEFAULT_LIMITS, LimitSet, resolve_limits
from ingest.limits_tried import Trial
from ingest.models import Boiler, Limits, LimitsDocument
from ingest.store import NotFound, StateConflict, VersionConflict

router = APIRouter(include_in_schema=False)
_SPARE_ROWS = 2


@dataclass(frozen=True, slots=True)
class LimitField:
    """One limit on the form; ``hints`` is what holds where it is left empty."""

    label: str
    unit: str
    entries: Sequence[tuple[str, str]]
    hints: Sequence[str]
    band: bool


@dataclass(frozen=True, slots=True)
class Whose:
    """Whose limits a page is about, and what it does with them.

    Attributes
    ----------
    boiler : Boiler or None
        None for the company's.
    below : LimitSet
        What holds where nothing is stated here.
    """

    boiler: Boiler | None
    stated: StatedLimits
    below: LimitSet
    company: Limits | None

    @property
    def address(self) -> str:
        """Return the page's own address."""
        return "/limits" if self.boiler is None else f"/boilers/{self.boiler.id}/limits"

    def held_to(self, asked: Limits) -> LimitSet:
        """Return what would hold with these limits."""
        if self.boiler is None:
            return resolve_limits(Boiler(), company=asked)
        boiler = self.boiler.model_copy(update={"limits": asked})
        return resolve_limits(boiler, company=self.company)


def _whose(intake: Intake, boiler_id: UUID | None) -> Whose:
    company = intake.company_limits()
    if boiler_id is None:
        return Whose(None, company, resolve_limits(Boiler()), None)
    boiler = intake.boiler(boiler_id).document
    below = boiler.model_copy(update={"limits": Limits()})
    return Whose(
        boiler,
        intake.boiler_limits(boiler_id),
        resolve_limits(below, company=company.limits),
        company.limits,
    )


def _hints(field: Field, whose: Whose, shown: Shown) -> list[str]:
    if whose.boiler is None:
        return built_in(field.key, shown)
    return otherwise(field.key, whose.below, shown)


def _groups(
    entries: Mapping[str, str], whose: Whose, shown: Shown
) -> list[tuple[str, list[LimitField]]]:
    return [
        (
            _(title),
            [
                LimitField(
                    _(f.words),
                    unit_of(f, shown),
                    [(name, entries.get(name, "")) for name in f.names],
                    _hints(f, whose, shown),
                    f.band,
                )
                for f in fields
            ],
        )
        for title, fields in GROUPS
    ]


def _targets_otherwise(whose: Whose, shown: Shown) -> str:
    if whose.boiler is not None and whose.below.targets:
        source = whose.below.targets_source
        rates = ", ".join(rate_words(t.firing_rate) for t in whose.below.targets)
        text = "" if source is None else source.text
        return _("Otherwise the company's curve at {rates} ({source}).", rates=rates, source=text)
    band = DEFAULT_LIMITS["o2_band"]
    value = shown.limit("o2_dry", *band.value)
    return _("Built in where no curve is stated: {value} ({source}).", value=value,
             source=_(band.source))  # fmt: skip


def _rows(entries: Mapping[str, str], names: Sequence[str]) -> list[dict[str, str]]:
    filled = [
        rows_of({k: v for k, v in entries.items() if v.strip()}, name)
        for name in names
        if name != "of"
    ]
    rows = max(*filled, 1) + _SPARE_ROWS
    return [{name: entries.get(f"{name}.{n}", "") for name in names} for n in range(rows)]


def _shown_page(
    request: Request,
    intake: Intake,
    whose: Whose,
    entries: Mapping[str, str] | None = None,
    problems: Sequence[str] = (),
    *,
    asked: Limits | None = None,
    trial: Trial | None = None,
    status: int = 200,
) -> Response:
    shown = shown_for(request)
    given = entries_of(whose.stated.limits, shown) if entries is None else entries
    first, last = intake.preview_time()
    name = "" if whose.boiler is None else whose.boiler.name
    title = _("Limits of {name}", name=name) if name else _("Limits of the company")
    changed = whose.stated.changed
    return page(
        request,
        "limits.html",
        title=title,
        status=status,
        boiler=whose.boiler,
        address=whose.address,
        version=given.get("version", "") or whose.stated.version,
        changed=None
        if changed is None
        else {"day": words().day(changed.at), "by": changed.by, "why": changed.why},
        groups=_groups(given, whose, shown),
        targets=_rows(given, ("rate", "fuel", "of", *EDGES)),
        of=OF,
        fuels=sorted(FUELS),
        targets_otherwise=_targets_otherwise(whose, shown),
        by_rate=_rows(given, ("stack-rate", "stack-max")),
        stack_unit=unit_of(FIELDS["stack_temperature_max"], shown),
        stack_stated=_stack_stated(whose, shown),
        since=given.get("since", "") or first.isoformat(),
        until=given.get("until", "") or last.isoformat(),
        source=given.get("source", ""),
        why=given.get("why", ""),
        problems=problems,
        trial=None if trial is None else trial_view(trial, shown),
        mind=to_mind(whose.held_to(asked or whose.stated.limits), shown),
        tried="" if trial is None or asked is None else digest_of(asked),
    )


def _stack_stated(whose: Whose, shown: Shown) -> str:
    there = whose.below.get("stack_temperature_max")
    if whose.boiler is None or there is None:
        return ""
    return said(FIELDS["stack_temperature_max"], there.value, shown)


async def _entries(request: Request) -> dict[str, str]:
    async with request.form() as form:
        return {k: v[:1000] for k, v in form.items() if isinstance(v, str)}


Kept = Callable[[LimitsDocument, str, str, int], str]
"""Keeps limits with who, why and the version expected; returns the address to go on to."""


def _answered(
    request: Request, intake: Intake, boiler_id: UUID | None, entries: dict[str, str], keep: Kept
) -> Response:
    try:
        whose = _whose(intake, boiler_id)
    except NotFound:
        return missing(request)
    asked, problems = limits_asked(entries, whose.stated.limits, shown_for(request))
    first, last = intake.preview_time()
    days, told = days_asked(entries, first, last)
    problems += told
    if asked is None or problems:
        return _shown_page(request, intake, whose, entries, problems, status=422)
    if entries.get("act") == "keep" and entries.get("tried") == digest_of(asked):
        try:
            who = decider(request, entries.get("who", "")[:100])
            version = int(entries.get("version") or 0)
            return RedirectResponse(keep(asked, who, entries.get("why", ""), version), 303)
        except (WordsMissing, VersionConflict, StateConflict, ValueError) as error:
            problems = [_("Nothing was kept: {why}.", why=why_not(error))]
    elif entries.get("act") == "keep":
        problems = [_("Nothing was kept: these are not the limits that were tried. Look first.")]
    trial = intake.try_limits(asked, boiler_id, since=days[0], until=days[1])
    status = 422 if problems else 200
    return _shown_page(
        request, intake, whose, entries, problems, asked=asked, trial=trial, status=status
    )


@router.get("/limits")
def company(request: Request, intake: IntakeOf) -> Response:
    """Show what the company holds all its boilers to, as a form."""
    return _shown_page(request, intake, _whose(intake, None))


@router.post("/limits")
async def change_company(request: Request, intake: IntakeOf) -> Response:
    """Try the company's limits on the finished visits of a time, or keep them."""
    entries = await _entries(request)

    def keep(asked: LimitsDocument, who: str, why: str, version: int) -> str:
        intake.keep_company_limits(asked, who, why, expected_version=version)
        return "/limits"

    return await run_in_threadpool(_answered, request, intake, None, entries, keep)


@router.get("/boilers/{boiler_id}/limits")
def limits(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Show what a boiler states itself, as a form."""
    try:
        return _shown_page(request, intake, _whose(intake, boiler_id))
    except NotFound:
        return missing(request)


@router.post("/boilers/{boiler_id}/limits")
async def change(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Try a boiler's limits on its finished visits of a time, or keep them."""
    entries = await _entries(request)

    def keep(asked: LimitsDocument, who: str, why: str, version: int) -> str:
        intake.keep_limits(boiler_id, asked, who, why, expected_version=version)
        return f"/boilers/{boiler_id}"

    return await run_in_threadpool(_answered, request, intake, boiler_id, entries, keep)
