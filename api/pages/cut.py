"""The page of a log's cut: the chart, the firing points found, and the form that corrects them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import parse_qsl
from uuid import UUID

import numpy as np
from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.chart_spec import COVERAGE, number, spread_number
from api.cut_chart import MOST_APART, Stretch, clock, time_chart
from api.cut_json import problem_of_correction
from api.cut_traces import Level, Trace
from api.cut_window import Window, parts_of, ways_of, window_of
from api.findings import reason_said
from api.pages.cut_form import corrections_from, entered, rate_text, stretch_of
from api.pages.facts import boiler_words, leave_words
from api.pages.render import page, shown_for
from api.pages.show import PHASE_WORDS, Shown, day, label
from api.problems import ErrorItem, ProblemError, problem_of_book_error, problem_of_read_error
from api.refusals import page_said, told
from api.routes.shared import IntakeOf, signer
from api.words import N_, _, _n
from ingest.accuracy import Accuracies
from ingest.cut_operations import CutOperation
from ingest.intake import Intake, WordsMissing
from ingest.intake_cuts import LogCut
from ingest.models import Boiler
from ingest.store import NotFound, StateConflict, VersionConflict
from parsers import Phase, ReadError
from parsers.cut_corrections import CorrectionError
from parsers.cut_points import JUDGED_BASES
from parsers.segments import Segment

router = APIRouter(prefix="/visits/{visit_id}/logs/{attachment_id}", include_in_schema=False)

KIND_WORDS = {
    "plateau": N_("firing point"),
    "ramp": N_("on the way"),
    "light_off": N_("light-off"),
    "purge": N_("purge"),
    "off": N_("burner off"),
    "air": N_("fresh air in the probe"),
}
BASIS_WORDS = {
    "file": N_("recorded in the log"),
    "proposed": N_("proposed, not sure"),
    "two_signals": N_("two signals agree"),
    "confirmed": N_("named by a person"),
}
PHASE_BASIS_WORDS = {
    "log": N_("the log shows the adjustment"),
    "stated": N_("stated with the file"),
    "person": N_("stated by a person"),
}
NOT_KNOWN, NOT_STATED = N_("not known"), N_("not stated")
_ROLES: Mapping[Phase, str] = {"as_left": "left", "as_found": "found", "trial": ""}
_DRAWN = ("firing_rate", "o2_dry", "co_dry", "stack_temperature")
_FIGURES = ("o2_dry", "co2_dry", "co_dry", "stack_temperature")
ELSEWHERE = "look:"
"""How the value of a button begins that leads to another part of the log, before its query."""
_WIDTHS = (("narrow", 358), ("broad", 760))


@dataclass(frozen=True, slots=True)
class Figure:
    """A settled mean in the table, at which the chart's own is told."""

    text: str
    id: str = ""
    spread: str = ""


@dataclass(frozen=True, slots=True)
class StretchView:
    """One stretch as the page shows it and its form asks about it."""

    index: int
    number: int | None
    name: str
    starts: str
    ends: str
    lasts: str
    why: str
    rate: str
    rate_words: str
    rate_sure: bool
    phase: str
    phase_words: str
    settled: bool
    unsettled: str
    figures: Sequence[Figure]
    last: bool
    query: str


def _lasts(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def _row(s: Segment, key: str) -> str:
    """Return the id of a mean's cell in the table, which the chart's point leads to."""
    return f"mean-{key}-{s.start:g}".replace(".", "-")


def _spread(s: Segment, key: str, shown: Shown, accuracies: Accuracies) -> float:
    return COVERAGE * shown.spread(key, accuracies.level(key, s.values[key]))


def _figure(s: Segment, key: str, shown: Shown, accuracies: Accuracies) -> Figure:
    value = s.values.get(key)
    if value is None:
        return Figure("–")
    text = ("" if value.settled else "~") + shown.figure(key, value.mean)
    spread = spread_number(_spread(s, key, shown, accuracies), shown.decimals(key))
    return Figure(text, _row(s, key), spread)


def _views(
    cut: LogCut, window: Window, keys: Sequence[str], shown: Shown, accuracies: Accuracies
) -> list[StretchView]:
    """Return the stretches of a part of the log."""
    out, count = [], 0
    for n, s in enumerate(cut.segments):
        count += s.kind == "plateau"
        if not window.shows(s.start, s.end):
            continue
        sure = s.rate_basis in JUDGED_BASES
        phase = cut.phases.get(s.start)
        moving = [label(k) for k, v in s.values.items() if v.settled is False]
        out.append(
            StretchView(
                index=n,
                number=count if s.kind == "plateau" else None,
                name=_(KIND_WORDS[s.kind]),
                starts=clock(cut.log.started, s.start),
                ends=clock(cut.log.started, s.end),
                lasts=_lasts(s.end - s.start),
                why=reason_said(s.why),
                rate=rate_text(s.firing_rate),
                rate_words=_(BASIS_WORDS.get(s.rate_basis or "", NOT_KNOWN)),
                rate_sure=sure,
                phase=phase or "",
                phase_words=_(PHASE_BASIS_WORDS.get(cut.phase_basis.get(s.start, ""), NOT_STATED)),
                settled=s.settled,
                unsettled=", ".join(moving),
                figures=[_figure(s, k, shown, accuracies) for k in keys],
                last=n == len(cut.segments) - 1,
                query=window.placed(1.5 * s.start - s.end / 2, 1.5 * s.end - s.start / 2).query,
            )
        )
    return out


def _stretches(cut: LogCut, views: Sequence[StretchView]) -> list[Stretch]:
    out = []
    for view in views:
        s = cut.segments[view.index]
        rate = ""
        if view.number is not None:
            rate = f"{view.rate} %" if view.rate_sure else f"{view.rate} %?" if view.rate else "?"
        name = f"{view.name} {view.number}" if view.number is not None else view.name
        out.append(Stretch(name, s.start, s.end, view.number, rate, view.index))
    return out


def _samples(cut: LogCut, window: Window) -> slice:
    """Return the samples of a part of the log, and one beyond each end so that lines go on."""
    low = int(np.searchsorted(cut.log.times, window.begin))
    high = int(np.searchsorted(cut.log.times, window.end, side="right"))
    return slice(max(low - 1, 0), high + 1)


def _traces(
    cut: LogCut, window: Window, samples: slice, shown: Shown, accuracies: Accuracies
) -> list[Trace]:
    out = []
    for key in _DRAWN:
        column = cut.log.columns.get(key)
        if column is None:
            continue
        levels = [
            Level(
                s.settled_from.get(key, s.start),
                s.end,
                shown.converted(key, s.values[key].mean),
                _ROLES[cut.phases[s.start]] if s.start in cut.phases else "",
                _spread(s, key, shown, accuracies),
                _row(s, key),
            )
            for s in cut.plateaus
            if key in s.values and key != "firing_rate" and window.shows(s.start, s.end)
        ]
        values = shown.converted(key, 1.0) - shown.converted(key, 0.0)
        moved = column[samples] * values + shown.converted(key, 0.0)
        out.append(Trace(key, label(key), shown.unit(key), shown.decimals(key), moved, levels))
    return out


def _first_sentence(cut: LogCut) -> tuple[str, str]:
    """Return what the reader does next, and what stands beside it."""
    found, waiting = len(cut.plateaus), len(cut.waiting)
    if not found:
        return (
            _("No firing point was found in this log."),
            _(
                "No stretch of it stands still with flue gas in the probe for long enough. Nothing "
                "is guessed; a stretch that you know to be one can be kept below."
            ),
        )
    if cut.confirmed:
        if not waiting:
            said = _n(
                "{n} firing point of this log, and the visit is judged with it.",
                "{n} firing points of this log, and the visit is judged with them.",
                found,
            )
            return said, ""
        return (
            _n(
                "{n} firing point of this log, and the visit is judged with {taken} of them.",
                "{n} firing points of this log, and the visit is judged with {taken} of them.",
                found,
                taken=found - waiting,
            ),
            _n(
                "{n} stays out: firing rate or phase is not sure.",
                "{n} stay out: firing rate or phase is not sure.",
                waiting,
            ),
        )
    first = _n(
        "{n} firing point found. Nothing of this log is judged before you take it.",
        "{n} firing points found. Nothing of this log is judged before you take them.",
        found,
    )
    if cut.confirmation is not None:
        at = datetime.fromisoformat(cut.confirmation.at)
        first = _("Corrections wait: the visit is still judged by the cut taken before them.")
        when = f"{day(at)}, {at:%H:%M} UTC"
        rest = _("Taken by {who}, {when}.", who=cut.confirmation.who, when=when) + " "
    else:
        rest = ""
    if waiting:
        rest += _(
            "{n} of {total} would stay out: firing rate or phase is not sure.",
            n=waiting,
            total=found,
        )
    return first, rest


def _history(cut: LogCut) -> list[str]:
    out = []
    for c in cut.corrections:
        at = datetime.fromisoformat(c.at)
        when = f"{day(at)}, {at:%H:%M} UTC"
        told = _told(c.operation, cut)
        out.append(_("{when}: {what}, by {who}", when=when, what=told, who=c.who))
    return out


def _told(one: Mapping[str, Any], cut: LogCut) -> str:
    where = "" if one.get("at") is None else clock(cut.log.started, one["at"])
    words: dict[str, Callable[[], str]] = {
        "move": lambda: _(
            "boundary {at} moved to {to}", at=where, to=clock(cut.log.started, one["to"])
        ),
        "split": lambda: _("new boundary at {at}", at=where),
        "join": lambda: _("boundary {at} removed", at=where),
        "rate": lambda: _("stretch around {at} named {rate:g} %", at=where, rate=one["rate"]),
        "drop": lambda: _("stretch around {at} left out", at=where),
        "keep": lambda: _("stretch around {at} kept as a firing point", at=where),
        "phase": lambda: (
            _("stretch around {at} stated as {phase}", at=where, phase=_(PHASE_WORDS[one["phase"]]))
            if where
            else _("all stated as {phase}", phase=_(PHASE_WORDS[one["phase"]]))
        ),
        "undo": lambda: _("the correction before was taken back"),
    }
    said = words[one["action"]]()
    return f"{said} ({one['why']})" if one.get("why") else said


def _in_sight(window: Window, cut: LogCut, problems: Sequence[ErrorItem]) -> Window:
    """Return a part of the log in which the first field that was refused can be seen."""
    numbers = [n for p in problems if p.parameter and (n := stretch_of(p.parameter)) is not None]
    if not numbers or numbers[0] >= len(cut.segments):
        return window
    wrong = cut.segments[numbers[0]]
    if window.shows(wrong.start, wrong.end) and not parts_of(window, cut):
        return window
    return window.placed(1.5 * wrong.start - wrong.end / 2, 1.5 * wrong.end - wrong.start / 2)


def cut_page(
    request: Request,
    intake: Intake,
    visit_id: UUID,
    attachment_id: UUID,
    *,
    status: int = 200,
    title: str = "",
    problems: Sequence[ErrorItem] = (),
    said: Mapping[str, str] | None = None,
    part: Mapping[str, str] | None = None,
) -> Response:
    """Return the page of a log's cut, with what was refused at its head and beside its fields.

    ``said`` holds the fields of a form that was refused: they stay as they were filled in;
    ``part`` names the part of the log that is shown, None for the one in the address.
    """
    try:
        cut = intake.log_cut(visit_id, attachment_id)
        view = intake.visit(visit_id)
    except NotFound:
        return page(
            request,
            "problem.html",
            title=_("Not found"),
            status=404,
            heading=_("No such log"),
            detail=_("There is no continuous log under this address in this book."),
        )
    shown = shown_for(request)
    boiler = view.boiler or Boiler(name=_("Boiler not yet known"))
    keys = [k for k in _FIGURES if any(k in s.values for s in cut.plateaus)]
    accuracies = Accuracies(view.whole.instrument)
    window = _in_sight(
        window_of(request.query_params if part is None else part, cut), cut, problems
    )
    samples = _samples(cut, window)
    views = _views(cut, window, keys, shown, accuracies)
    stretches = _stretches(cut, views)
    traces = _traces(cut, window, samples, shown, accuracies)
    apart = len(views) <= MOST_APART
    first, beside = _first_sentence(cut)
    typed = entered(said or {}, cut, (window.begin + window.end) / 2)
    seen = {v.index for v in views} if apart else set()
    carried = {k: v for k, v in typed.items() if (n := stretch_of(k)) is not None and n not in seen}
    undoable = sum(1 if c.operation["action"] != "undo" else -1 for c in cut.corrections) > 0
    return page(
        request,
        "cut.html",
        title=f"{cut.attachment.name}: {boiler.name}, {day(view.visit.started)}",
        status=status,
        id=visit_id,
        log=attachment_id,
        boiler=boiler,
        boiler_words=boiler_words(boiler, shown),
        site_name=_("site not yet known") if view.site is None else view.site.name,
        day=day(view.visit.started),
        leave=leave_words(view.judgement.flags, view.points, shown),
        first=first,
        beside=beside,
        notes=[page_said(note) for note in cut.notes],
        refused_title=title,
        problems=problems,
        said=said or {},
        carried=carried,
        wrong={p.parameter: p for p in problems if p.parameter},
        charts=[
            (
                name,
                time_chart(
                    cut.log.times[samples],
                    traces,
                    stretches,
                    started=cut.log.started,
                    width=width,
                    ident=f"log-{name}",
                    window=(window.begin, window.end),
                ),
            )
            for name, width in _WIDTHS
        ],
        window=window,
        ways=ways_of(window),
        parts=parts_of(window, cut),
        apart=apart,
        elsewhere=ELSEWHERE,
        stretches=len(cut.segments),
        found=len(cut.plateaus),
        views=views,
        points=[v for v in views if v.number is not None],
        heads=[(label(k), shown.unit(k)) for k in keys],
        file=cut.attachment,
        readings=number(cut.log.count, 0),
        lasts=_lasts(float(cut.log.times[-1])),
        untimed=cut.log.untimed,
        rates=", ".join(f"{r:g}" for r in cut.rates),
        open=cut.open,
        confirmed=cut.confirmed,
        known=len(cut.corrections),
        undoable=undoable,
        told=_history(cut),
        phases=PHASE_WORDS,
    )


@router.get("")
def show(request: Request, visit_id: UUID, attachment_id: UUID, intake: IntakeOf) -> Response:
    """Show one log and its cut."""
    return cut_page(request, intake, visit_id, attachment_id)


@router.post("")
async def change(
    request: Request, visit_id: UUID, attachment_id: UUID, intake: IntakeOf
) -> Response:
    """Take the form: keep its corrections; with them take back the last, or confirm."""
    async with request.form() as given:
        form = {key: str(value) for key, value in given.items() if isinstance(value, str)}
    then = form.get("then", "keep")
    kept: list[CutOperation] = []

    def as_known() -> LogCut:
        """Return the cut that the form was about; refuse where it is another one by now."""
        cut = intake.log_cut(visit_id, attachment_id)
        if form.get("known", "") not in ("", str(len(cut.corrections))):
            raise StateConflict("someone else corrected the cut meanwhile; look at it again")
        return cut

    def looked() -> str | Response:
        """Show another part of the log, with what was typed in this one."""
        cut = as_known()
        query = then.removeprefix(ELSEWHERE)
        shown = window_of(form, cut)
        typed = entered(form, cut, (shown.begin + shown.end) / 2)
        if not typed:
            return f"/visits/{visit_id}/logs/{attachment_id}{query if query[:1] == '?' else ''}"
        part = dict(parse_qsl(query.removeprefix("?")))
        said = typed | {"who": form.get("who", "")[:100]}
        return cut_page(request, intake, visit_id, attachment_id, said=said, part=part)

    def done() -> str | Response:
        if then.startswith(ELSEWHERE):
            return looked()
        who = signer(request, form.get("who", "")[:100])
        if not who:
            raise WordsMissing("say who does this")
        cut = as_known()
        shown = window_of(form, cut)
        near = (shown.begin + shown.end) / 2
        asked = [CutOperation("undo")] if then == "undo" else corrections_from(form, cut, near)
        if asked:
            known = len(cut.corrections)
            cut = intake.correct_cut(visit_id, attachment_id, asked, who, after=known)
            kept.extend(asked)
        if then != "confirm":
            return f"/visits/{visit_id}/logs/{attachment_id}{shown.query}#chart"
        intake.confirm_cut(visit_id, attachment_id, who, corrections=len(cut.corrections))
        return f"/visits/{visit_id}#why"

    return await _redirected_or_said(request, intake, visit_id, attachment_id, done, kept, form)


async def _redirected_or_said(
    request: Request,
    intake: Intake,
    visit_id: UUID,
    attachment_id: UUID,
    done: Callable[[], str | Response],
    kept: Sequence[CutOperation],
    form: Mapping[str, str],
) -> Response:
    try:
        place = await run_in_threadpool(done)
    except ReadError as error:
        problem = problem_of_read_error(error)
    except CorrectionError as error:
        problem = problem_of_correction(error)
    except ProblemError as error:
        problem = error
    except (NotFound, StateConflict, VersionConflict, WordsMissing) as error:
        problem = problem_of_book_error(error)
    else:
        return place if isinstance(place, Response) else RedirectResponse(place, status_code=303)
    details = problem.details

    def shown() -> Response:
        return cut_page(
            request,
            intake,
            visit_id,
            attachment_id,
            status=details.status,
            title=_("The corrections are kept, and the firing points were not taken")
            if kept
            else _("This was not done, and nothing was changed"),
            problems=told(details.errors),
            # What was kept has moved the stretches: their numbers are no longer those of the form.
            said={} if kept else form,
            part=form,
        )

    return await run_in_threadpool(shown)
