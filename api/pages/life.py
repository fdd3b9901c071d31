"""A boiler's life: each quantity at each rate over its visits, parts, findings, visits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import quote, urlencode
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool

from api.chart_spec import rate_words, spread_number
from api.doorkeeper import principal_of
from api.pages.curve_sheet import evidence_link
from api.pages.facts import boiler_words
from api.pages.kept_by import kept_by
from api.pages.render import fragment, page, shown_for, size_of_page
from api.pages.review import RowView, row_views
from api.pages.show import Shown, label
from api.pages.sources import Spreads, plain_source
from api.pages.standing_view import standing_view
from api.pages.trends import FIRST, At, limits_at, trends
from api.permissions import permissions_at
from api.problems import problem_of_book_error
from api.refusals import why_not
from api.routes.shared import IntakeOf, SettingsOf, decider, fitting_plans, plans_of
from api.trend_chart import Moment, TrendPane, trend
from api.words import _, words
from ingest.intake import Intake, WordsMissing
from ingest.intake_life import Life
from ingest.models import Boiler
from ingest.store import NotFound, StateConflict, VersionConflict
from ingest.store.held import Held
from ingest.store.lists import Wanted

router = APIRouter(prefix="/boilers", include_in_schema=False)
# A boiler takes one line: as many times the rows of a page are shown.
_LINES = 3
_MOST_PLANS = 4
"""Plans of a boiler whose forms are kept for a visit begun without signal."""


@dataclass(frozen=True, slots=True)
class TrendDrawn:
    """One pane and the prefix of the ids of its cells in the table behind."""

    ident: str
    svg: str


@dataclass(frozen=True, slots=True)
class Cell:
    """One value of the table, at which the point of the chart is told."""

    text: str
    id: str = ""
    spread: str = ""
    href: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class QuantityLife:
    """One quantity over the visits: its panes, and the table behind them."""

    key: str
    label: str
    unit: str
    panes: list[TrendDrawn]
    heads: list[str]
    rows: list[tuple[str, UUID | None, list[Cell]]]


def quantity_life(
    life: Life,
    key: str,
    by_rate: dict[float, list[At]],
    shown: Shown,
    spreads: Mapping[int, Spreads] | None = None,
) -> QuantityLife:
    """Return what is shown of one quantity; ``spreads`` from ``spreads_of``, where it is made."""
    known = spreads_of(life, shown) if spreads is None else spreads
    every = [at for values in by_rate.values() for at in values]
    limits = {rate: limits_at(life, key, rate) for rate in by_rate}

    def converted(value: float | None) -> float | None:
        return None if value is None else shown.converted(key, value)

    spread = {id(at): _spread(at, key, known) for at in every}
    reached = [(shown.converted(key, at.value), spread[id(at)]) for at in every]
    top = max(value for value, _u in reached)
    found = [value + side * u for value, u in reached for side in (-1, 1)]
    ends = [converted(v) for pair in limits.values() for v in pair]
    found += [v for v in ends if v is not None and v <= 3 * max(top, 0)]
    low = 0.0 if key.startswith("co_") else min(found)
    days = [at.day for at in every]
    span = (min(days), max(days))
    if span[0] == span[1]:
        span = (span[0] - timedelta(days=30), span[1] + timedelta(days=30))
    joints = [
        (f.day, f"part-{n}") for n, f in enumerate(life.fittings) if span[0] <= f.day <= span[1]
    ]
    panes = []
    rows: dict[tuple[date, UUID | None], dict[float, Cell]] = {}
    for rate, values in by_rate.items():
        pane = TrendPane(
            label(key),
            shown.unit(key),
            shown.decimals(key),
            rate,
            [
                Moment(at.day, shown.converted(key, at.value), at.above, spread[id(at)])
                for at in values
            ],
            span,
            (low, max(found)),
            converted(limits[rate][0]),
            converted(limits[rate][1]),
            joints,
        )
        ident = f"{key}-{rate:g}".replace(".", "-")
        panes.append(TrendDrawn(ident, trend(pane, ident)))
        for n, at in enumerate(sorted(values, key=lambda at: at.day)):
            cell = _cell(at, key, shown, f"{ident}-0-{n}", spread[id(at)])
            rows.setdefault((at.day, at.visit), {})[rate] = cell
    table = [
        (words().day(day), visit, [row.get(rate, Cell("–")) for rate in by_rate])
        for (day, visit), row in sorted(rows.items(), key=lambda r: r[0][0], reverse=True)
    ]
    heads = []
    for rate in by_rate:
        limit = shown.limit(key, *limits[rate])
        heads.append(rate_words(rate) + (f" ({limit})" if limit else ""))
    return QuantityLife(key, label(key), shown.unit(key), panes, heads, table)


class _Drawn:
    """The sections of a life's quantities in one language and system, each made when asked for."""

    def __init__(self, life: Life, shown: Shown) -> None:
        self.life = life
        self.found = trends(life.visits)
        self._shown = shown
        self._spreads = spreads_of(life, shown)
        self._sections: dict[str, Markup] = {}

    def section(self, key: str) -> Markup:
        """Return the section of one quantity."""
        kept = self._sections.get(key)
        if kept is None:
            made = quantity_life(self.life, key, self.found[key], self._shown, self._spreads)
            kept = self._sections[key] = fragment("life.html", q=made)
        return kept


_drawn_of: Held[_Drawn] = Held(32)


def _drawn(life: Life, shown: Shown) -> _Drawn:
    """Return what is shown of each quantity: made once for as long as the life stays as it is."""
    key = (str(life.boiler.id), shown.system, words().language, str(words().locale))
    kept = _drawn_of.get(key)
    if kept is not None and _draws_as(kept.life, life):
        return kept
    drawn = _Drawn(life, shown)
    _drawn_of.put(key, drawn)
    return drawn


def _draws_as(one: Life, other: Life) -> bool:
    """Return whether two lives are drawn alike; points read once are the same object."""
    return (
        (one.boiler, one.limits, one.fittings) == (other.boiler, other.limits, other.fittings)
        and len(one.visits) == len(other.visits)
        and all(
            a.points is b.points and a.visit.id == b.visit.id and a.visit.started == b.visit.started
            for a, b in zip(one.visits, other.visits, strict=True)
        )
    )


def spreads_of(life: Life, shown: Shown) -> dict[int, Spreads]:
    """Return the uncertainties of each visit of a life, by the visit's ``id()``."""
    made = Spreads.together([(one.visit, one.points) for one in life.visits], shown)
    return {id(one): found for one, found in zip(life.visits, made, strict=True)}


def _spread(at: At, key: str, spreads: Mapping[int, Spreads]) -> float:
    if at.of is None or at.point is None or at.above:
        return 0.0
    return spreads[id(at.of)].expanded(at.point, key)


def _cell(at: At, key: str, shown: Shown, ident: str, spread: float) -> Cell:
    text = (">" if at.above else "") + shown.figure(key, at.value)
    href = "" if at.of is None or at.point is None else evidence_link(at.of.visit, at.point, key)
    source = "" if at.point is None else plain_source(at.point, key).text
    said = spread_number(spread, shown.decimals(key)) if spread else ""
    return Cell(text, ident, said, href, source)


@router.get("")
def boilers(request: Request, intake: IntakeOf, settings: SettingsOf) -> Response:
    """List the boilers, each with its site."""
    text = request.query_params.get("text", "").strip()[:100]
    skip, size = size_of_page(request, settings)
    size *= _LINES
    found = intake.named_boilers(text, skip=skip, most=size + 1)
    asked = {"text": text} if text else {}
    return page(
        request,
        "boilers.html",
        title=_("Boilers"),
        boilers=found[:size],
        text=text,
        many=bool(text or skip or len(found) > size),
        next=urlencode({**asked, "skip": skip + size}) if len(found) > size else "",
    )


@router.get("/{boiler_id}")
def boiler(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Show one boiler over the years; the quantities that matter less where they are asked for."""
    return _shown_page(request, boiler_id, intake)


@router.post("/{boiler_id}/plans")
async def choose_plans(request: Request, boiler_id: UUID, intake: IntakeOf) -> Response:
    """Let the boiler name the plans of the form, or none."""
    async with request.form() as form:
        named = [str(key)[:80] for key in form.getlist("plan")]
        who, version = str(form.get("who") or "")[:100], str(form.get("version") or "")

    def change() -> Response:
        try:
            signed = decider(request, who)
            expected = int(version) if version.isdecimal() and len(version) < 10 else None
            known = plans_of(request)
            intake.keep_boiler_by(boiler_id, named, signed, known, expected_version=expected)
        except (WordsMissing, StateConflict, VersionConflict) as error:
            status = problem_of_book_error(error).details.status
            told = _("The plans were not changed: {why}.", why=why_not(error))
            return _shown_page(
                request, boiler_id, intake, status, plans_problem=told, plans_who=who, named=named
            )
        except NotFound:
            return missing(request)
        return RedirectResponse(f"/boilers/{boiler_id}#plans", 303)

    return await run_in_threadpool(change)


def _shown_page(
    request: Request,
    boiler_id: UUID,
    intake: Intake,
    status: int = 200,
    *,
    plans_problem: str = "",
    plans_who: str = "",
    named: Sequence[str] | None = None,
) -> Response:
    try:
        life = intake.life(boiler_id)
    except NotFound:
        return missing(request)
    shown = shown_for(request)
    drawn = _drawn(life, shown)
    further = [k for k in drawn.found if k not in FIRST]
    whole = bool(request.query_params.get("further"))
    visits = [
        {"id": e.visit.id, "day": words().day(e.visit.started), "technician": e.visit.technician}
        for e in reversed(life.visits)
    ]
    role = principal_of(request.scope).role
    return page(
        request,
        "boiler.html",
        title=life.boiler.name,
        status=status,
        boiler=life.boiler,
        boiler_words=boiler_words(life.boiler, shown),
        site=life.site,
        first=[drawn.section(k) for k in drawn.found if k in FIRST],
        others=[drawn.section(k) for k in further] if whole else [],
        further=len(further),
        fittings=[
            (f"part-{n}", words().day(f.day), f.part, f.visit)
            for n, f in reversed(list(enumerate(life.fittings)))
        ],
        findings=life.findings,
        visits=visits,
        waiting=[
            {"id": r.id, "day": words().day(r.visit.started), "state": r.state}
            for r in intake.unfinished_visits(boiler_id)
        ],
        standing=[standing_view(s, shown) for s in intake.standings(boiler_id, ended=True)],
        may=role in ("reviewer", "administrator"),
        last=_last(intake, life, shown),
        kept=kept_by(life.boiler, plans_of(request), named),
        may_plan=role in permissions_at(f"/boilers/{boiler_id}/plans")["POST"].roles,
        version=life.version,
        plans_problem=plans_problem,
        plans_who=plans_who,
        coming=_coming(request, life.boiler),
    )


def _last(intake: Intake, life: Life, shown: Shown) -> RowView | None:
    """Return the newest finished visit with its worst finding, as the review list says it."""
    if not life.visits:
        return None
    newest = Wanted(states=(), imported=None, visit_id=life.visits[-1].visit.id)
    return next(iter(row_views(intake, intake.review_list(newest, most=1), shown)), None)


def _coming(request: Request, boiler: Boiler) -> list[str]:
    """Return the addresses of a coming visit's pages, which a browser keeps for a cellar."""
    at = f"/boilers/{boiler.id}/visits/coming"
    known = plans_of(request)
    usual = {p.key: p for p in fitting_plans(boiler, known)}
    others = {k: p for k, p in known.items() if boiler.fuel in p.fuels}
    plans = [f"{at}/service?plan={quote(key)}" for key in {**usual, **others}]
    return [at, f"{at}/readings", f"{at}/service", *plans[:_MOST_PLANS]]


def missing(request: Request) -> Response:
    """Answer that there is no such boiler."""
    return page(
        request,
        "problem.html",
        title=_("Not found"),
        status=404,
        heading=_("No such boiler"),
        detail=_("There is no boiler under this address in this book."),
    )
