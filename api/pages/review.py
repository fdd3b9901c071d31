"""The review list: visits handed in, worst first, each by one sentence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Request, Response

from api.pages.facts import NOTHING_BEYOND, in_units
from api.pages.render import page, shown_for
from api.pages.show import Shown, day
from api.routes.shared import IntakeOf, SettingsOf
from ingest.models import SEVERITIES, Severity
from ingest.store.lists import Listed, Wanted

router = APIRouter(include_in_schema=False)
OPEN_SHOWN = 10


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


def row_view(one: Listed, shown: Shown) -> RowView:
    """Return a visit as its row shows it."""
    sentence = NOTHING_BEYOND if one.worst_message is None else in_units(one.worst_message, shown)
    return RowView(
        id=one.visit_id,
        severity=one.worst or "none",
        sentence=sentence,
        more=max(0, sum(one.flag_counts.values()) - 1),
        boiler=one.boiler_name or "Boiler not yet known",
        site=one.site_name or "site not yet known",
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
        return "Nothing waits for review."
    if not found:
        return f"{_visits(without)}, with nothing to act on."
    said = f"{_visits(found)} with findings" + (
        f", {without} with nothing to act on." if without else "."
    )
    stops = counts.get("stop", 0)
    return f"{said} {stops} must not be left running." if stops else said


def _visits(count: int) -> str:
    return "1 visit waits" if count == 1 else f"{count} visits wait"


def _chosen(request: Request) -> Severity | None:
    asked = request.query_params.get("severity")
    return next((s for s in SEVERITIES if s == asked), None)


@router.get("/")
def review(request: Request, intake: IntakeOf, settings: SettingsOf) -> Response:
    """Show the list."""
    shown = shown_for(request)
    severity = _chosen(request)
    wanted = Wanted(severities=() if severity is None else (severity,))
    counts = intake.counts(Wanted())
    size = settings.page_size
    after = request.query_params.get("after") or None
    try:
        found: Sequence[Listed] = intake.review_list(wanted, after=after, most=size + 1)
    except ValueError:
        after = None
        found = intake.review_list(wanted, most=size + 1)
    following = {"after": found[size - 1].position} if len(found) > size else {}
    if following and severity is not None:
        following["severity"] = severity
    unfinished: Sequence[Listed] = ()
    if after is None and severity is None:
        unfinished = intake.review_list(Wanted(states=("open", "sent_back")), most=OPEN_SHOWN)
    return page(
        request,
        "review.html",
        title="Review",
        headline=headline(counts),
        severity=severity,
        tally=[(name, counts.get(name, 0)) for name in ("stop", "fix", "check")],
        rows=[row_view(one, shown) for one in found[:size]],
        next=urlencode(following),
        open_rows=[row_view(one, shown) for one in unfinished],
    )
