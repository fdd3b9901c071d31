"""The review list: visits handed in, worst first, each by one sentence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Request, Response

from api.cautions import counted_caution
from api.doorkeeper import may_review, principal_of
from api.pages.duty import sentences_of, stop_view
from api.pages.facts import NOTHING_BEYOND, figures_behind, finding_shown
from api.pages.render import page, shown_for
from api.pages.show import Shown, day
from api.routes.shared import IntakeOf, SettingsOf
from api.words import _, _n
from ingest.figures import Figures
from ingest.intake import Intake
from ingest.models import SEVERITIES, Severity
from ingest.rules import RULES
from ingest.store.lists import Listed, Wanted

router = APIRouter(include_in_schema=False)
OPEN_SHOWN = 10
STOPS_SHOWN = 20


@dataclass(frozen=True, slots=True)
class RowView:
    """One visit of the list in the reader's words."""

    id: UUID
    severity: str
    sentence: str
    more: int
    boiler: str
    site: str
    day: str
    state: str
    covered: int = 0
    stands: bool = False


def row_views(intake: Intake, listed: Sequence[Listed], shown: Shown) -> list[RowView]:
    """Return visits as their rows show them."""
    behind = figures_behind(intake, ((one.visit_id, one.worst_message) for one in listed))
    return [_row_view(one, shown, behind) for one in listed]


def _row_view(one: Listed, shown: Shown, behind: Mapping[tuple[UUID, str], Figures]) -> RowView:
    sentence = (
        _(NOTHING_BEYOND)
        if one.worst_message is None
        else finding_shown(
            one.worst_message,
            one.worst or "",
            shown,
            behind.get((one.visit_id, one.worst_message), ()),
        )
    )
    shown_too = 1 if one.worst is not None else 0
    return RowView(
        id=one.visit_id,
        severity=one.worst or "none",
        sentence=sentence,
        more=max(0, sum(one.flag_counts.values()) - shown_too),
        covered=one.covered,
        stands=one.worst is None and one.covered > 0,
        boiler=one.boiler_name or _("Boiler not yet known"),
        site=one.site_name or _("site not yet known"),
        day=day(None if one.started is None else datetime.fromisoformat(one.started)),
        state=one.state,
    )


def headline(counts: Mapping[Severity | None, int]) -> str:
    """Return how much waits, as a sentence.

    >>> headline({"stop": 1, "fix": 2, None: 4})
    '3 visits wait with findings, 4 with nothing to act on. 1 must not be left running.'
    >>> headline({})
    'Nothing waits for review.'
    """
    found = sum(n for severity, n in counts.items() if severity not in (None, "info"))
    without = counts.get(None, 0) + counts.get("info", 0)
    if not found and not without:
        return _("Nothing waits for review.")
    if not found:
        return _n(
            "{n} visit waits, with nothing to act on.",
            "{n} visits wait, with nothing to act on.",
            without,
        )
    said = _n("{n} visit waits with findings", "{n} visits wait with findings", found)
    said += _(", {n} with nothing to act on.", n=without) if without else "."
    stops = counts.get("stop", 0)
    left = counted_caution("{n} must not be left running.", "{n} must not be left running.", stops)
    return f"{said} {left}" if stops else said


def _chosen(request: Request) -> Severity | None:
    asked = request.query_params.get("severity")
    return next((s for s in SEVERITIES if s == asked), None)


def _day_given(request: Request, name: str) -> date | None:
    try:
        return date.fromisoformat(request.query_params.get(name, ""))
    except ValueError:
        return None


def _asked(request: Request) -> dict[str, str]:
    """Return the filter as asked for, without what cannot be understood."""
    rule = request.query_params.get("rule", "")
    asked = {
        "text": request.query_params.get("text", "").strip()[:100],
        "rule": rule if rule in RULES else "",
    }
    for name in ("from", "until"):
        found = _day_given(request, name)
        asked[name] = "" if found is None else found.isoformat()
    return {name: value for name, value in asked.items() if value}


def _wanted(asked: Mapping[str, str], severity: Severity | None) -> Wanted:
    # Times are kept as text in UTC: before the day after, so that the last day is inside.
    until = date.fromisoformat(asked["until"]) if "until" in asked else date.max
    following = None if until == date.max else (until + timedelta(days=1)).isoformat()
    return Wanted(
        severities=() if severity is None else (severity,),
        text=asked.get("text"),
        rule=asked.get("rule"),
        started_from=asked.get("from"),
        started_until=following,
    )


@router.get("/")
def review(request: Request, intake: IntakeOf, settings: SettingsOf) -> Response:
    """Show the list."""
    shown = shown_for(request)
    severity = _chosen(request)
    asked = _asked(request)
    wanted = _wanted(asked, severity)
    size = settings.page_size
    after = request.query_params.get("after") or None
    try:
        found: Sequence[Listed] = intake.review_list(wanted, after=after, most=size + 1)
    except ValueError:
        after = None
        found = intake.review_list(wanted, most=size + 1)
    # After the list, which first ends the acceptances whose last day is over.
    counts = intake.counts(_wanted(asked, None))
    following = {"after": found[size - 1].position} if len(found) > size else {}
    if following and severity is not None:
        following["severity"] = severity
    if following:
        following |= asked
    unfinished: Sequence[Listed] = ()
    if after is None and severity is None and not asked:
        unfinished = intake.review_list(Wanted(states=("open", "sent_back")), most=OPEN_SHOWN)
    waiting = intake.standing_stops()
    told = waiting[:STOPS_SHOWN]
    behind = figures_behind(intake, sentences_of(told))
    decides = may_review(request.scope)
    return page(
        request,
        "review.html",
        # Whatever is filtered: a stop that nobody took stands on top.
        waiting=[stop_view(one, shown, behind) for one in told],
        waiting_count=len(waiting),
        can_take=decides,
        title=_("Review"),
        headline=headline(counts),
        severity=severity,
        without=counts.get(None, 0) + counts.get("info", 0) if decides else 0,
        asked=asked,
        filter=urlencode(asked),
        rules=sorted((_(r.title), r.key) for r in RULES.values()),
        tally=[(name, counts.get(name, 0)) for name in ("stop", "fix", "check")],
        rows=row_views(intake, found[:size], shown),
        next=urlencode(following),
        open_rows=row_views(intake, unfinished, shown),
        open_first=principal_of(request.scope).role == "technician",
    )
