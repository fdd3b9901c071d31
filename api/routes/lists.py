"""Lists of visits, readings, firing points, boilers and sites: by pages, filtered, sorted."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time
from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import APIRouter, Query
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from api.moments import InUtc
from api.problems import ErrorItem, ProblemError
from api.routes.shared import IntakeOf
from ingest.models import Boiler, Severity, Site, VisitState
from ingest.store import listings
from ingest.store.book import stamp
from ingest.store.listings import Listing, Row
from ingest.store.lists import Wanted
from ingest.store.pages import NotACursor

router = APIRouter(prefix="/v1", tags=["lists"])


def _written(given: object) -> object:
    """Refuse what is no date and no time: a bare number would be taken for seconds since 1970."""
    if isinstance(given, str) and not re.match(r"\d{4}-\d\d-\d\d([Tt ]|$)", given):
        raise ValueError("a date such as 2026-03-04, or a time with its offset from UTC")
    return given


Moment = Annotated[InUtc | date, BeforeValidator(_written)]


def _fields_of(names: Iterable[str]) -> Any:
    one = f"({'|'.join(names)})"
    return Field(
        default=None,
        pattern=f"^{one}(,{one})*$",
        description="Only these, separated by commas.",
    )


def _sort_of(names: Iterable[str]) -> Any:
    return Field(
        default=None,
        pattern=f"^-?({'|'.join(names)})$",
        description="With a minus the other way round.",
    )


_KEPT_WITH = ("version", "changed_at")
_PARSED = {"values", "missing", "bounds"}
_READING = (
    *(c for c in listings.READING_ROWS.columns if c != "document"),
    *sorted(_PARSED),
    "note",
)
_POINT = (
    *(c for c in listings.POINT_ROWS.columns if c != "document"),
    "count",
    "started",
    "ended",
    *sorted(_PARSED),
)
_VISIT = tuple(c for c in listings.VISIT_ROWS.columns if c != "document")


class Paged(BaseModel):
    """How a list is paged."""

    model_config = ConfigDict(extra="forbid")

    after: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9_-]+$",
        max_length=2000,
        description="`next` of the page before, with the same sort.",
    )


class Chosen(BaseModel):
    """Which visits, or whose readings and points."""

    model_config = ConfigDict(extra="forbid")

    site_id: UUID | None = None
    boiler_id: UUID | None = None
    started_from: Moment | None = Field(
        default=None, description="Start of the visit, this moment included; a date is UTC's."
    )
    started_until: Moment | None = Field(default=None, description="This moment excluded.")
    severity: list[Severity] = Field(default_factory=list, description="Worst finding.")
    rule: str | None = Field(default=None, max_length=100, description="A rule that flagged.")
    state: list[VisitState] = Field(default_factory=list)
    imported: bool | None = Field(default=None, description="Past visits brought in from a list.")
    changed_since: Moment | None = Field(
        default=None, description="The visit was changed at this moment or later."
    )

    def wanted(self, visit_id: UUID | None = None, unassigned: bool = False) -> Wanted:
        """Return the choice as the store takes it."""
        return Wanted(
            states=tuple(self.state),
            severities=tuple(self.severity),
            site_id=self.site_id,
            boiler_id=self.boiler_id,
            rule=self.rule,
            started_from=moment(self.started_from),
            started_until=moment(self.started_until),
            imported=self.imported,
            visit_id=visit_id,
            unassigned=unassigned,
            changed_since=moment(self.changed_since),
        )


class VisitList(Chosen, Paged):
    """Filters of the list of visits."""

    fields: str | None = _fields_of((*_VISIT, "document"))
    sort: str | None = _sort_of(listings.VISIT_ROWS.sorts)
    unassigned: bool = Field(default=False, description="Only those whose boiler is not known.")
    limit: int = Field(default=100, ge=1, le=1000)


class ReadingList(Chosen, Paged):
    """Filters of the list of readings."""

    fields: str | None = _fields_of(_READING)
    sort: str | None = _sort_of(listings.READING_ROWS.sorts)
    visit_id: UUID | None = None
    superseded: bool = Field(default=False, description="Those that no longer stand, too.")
    limit: int = Field(default=500, ge=1, le=5000)


class PointList(Chosen, Paged):
    """Filters of the list of firing points."""

    fields: str | None = _fields_of(_POINT)
    sort: str | None = _sort_of(listings.POINT_ROWS.sorts)
    visit_id: UUID | None = None
    limit: int = Field(default=500, ge=1, le=5000)


class PlaceList(Paged):
    """Filters of the lists of sites and boilers."""

    sort: str | None = _sort_of(listings.BOILER_ROWS.sorts)
    site_id: UUID | None = None
    changed_since: Moment | None = None
    limit: int | None = Field(default=None, ge=1, le=5000, description="All where absent.")


class BoilerList(PlaceList):
    """Filters of the list of boilers."""

    fields: str | None = _fields_of([*Boiler.model_fields, *_KEPT_WITH])


class SiteList(PlaceList):
    """Filters of the list of sites."""

    fields: str | None = _fields_of([*Site.model_fields, *_KEPT_WITH])


class VisitPage(BaseModel):
    """One page."""

    visits: list[dict[str, Any]]
    next: str | None = Field(description="Cursor of the next page, null on the last.")


class ReadingPage(BaseModel):
    """One page; values in canonical units under glossary keys."""

    readings: list[dict[str, Any]]
    next: str | None = Field(description="Cursor of the next page, null on the last.")


class PointPage(BaseModel):
    """One page; values in canonical units under glossary keys."""

    points: list[dict[str, Any]]
    next: str | None = Field(description="Cursor of the next page, null on the last.")


def moment(given: datetime | date | None) -> str | None:
    """Return a moment as the book keeps times; a date is its first moment in UTC.

    >>> moment(date(2026, 3, 4))
    '2026-03-04T00:00:00.000000Z'
    """
    if given is None:
        return None
    if not isinstance(given, datetime):
        given = datetime.combine(given, time(), UTC)
    return stamp(given)


def _refused(parameter: str, raw: str | None, message: str) -> ProblemError:
    item = ErrorItem(message=message, parameter=parameter, raw=(raw or "")[:100])
    return ProblemError("not-valid", message, [item])


def _fields(asked: str | None, usual: Sequence[str]) -> Sequence[str]:
    return usual if asked is None else asked.split(",")


def _kept(rows: Sequence[Row], fields: Sequence[str]) -> list[Row]:
    return [{name: row.get(name) for name in fields} for row in rows]


def _of_visits(
    intake: IntakeOf,
    listing: Listing,
    asked: VisitList | ReadingList | PointList,
    wanted: Wanted,
    usual: Sequence[str],
    superseded: bool = True,
) -> dict[str, Any]:
    fields = _fields(asked.fields, usual)
    try:
        rows, following = listings.visit_page(
            intake.book.reader,
            listing,
            wanted,
            superseded=superseded,
            sort=asked.sort,
            after=asked.after,
            most=asked.limit,
        )
    except NotACursor as error:
        raise _refused("after", asked.after, str(error)) from error
    return {listing.name: _kept(rows, fields), "next": following}


def place_list(
    intake: IntakeOf, kind: Literal["boilers", "sites"], asked: BoilerList | SiteList
) -> dict[str, Any]:
    """Return a page of boilers or sites as their documents."""
    listing = listings.BOILER_ROWS if kind == "boilers" else listings.SITE_ROWS
    try:
        rows, following = listings.place_page(
            intake.book.reader,
            listing,
            site_id=None if asked.site_id is None else str(asked.site_id),
            changed_since=moment(asked.changed_since),
            sort=asked.sort,
            after=asked.after,
            most=asked.limit,
        )
    except NotACursor as error:
        raise _refused("after", asked.after, str(error)) from error
    if asked.fields is None:
        shown = [{k: v for k, v in row.items() if k not in _KEPT_WITH} for row in rows]
    else:
        shown = _kept(rows, _fields(asked.fields, ()))
    return {kind: shown, "next": following}


@router.get("/visits", summary="Visits, by pages", response_model=VisitPage)
def visits(asked: Annotated[VisitList, Query()], intake: IntakeOf) -> dict[str, Any]:
    """List visits of every state; sorts: started, changed_at, severity, id.

    ``unassigned=true`` lists the visits that wait for their boiler.
    """
    wanted = asked.wanted(unassigned=asked.unassigned)
    return _of_visits(intake, listings.VISIT_ROWS, asked, wanted, _VISIT)


@router.get("/readings", summary="Readings, by pages", response_model=ReadingPage)
def readings(asked: Annotated[ReadingList, Query()], intake: IntakeOf) -> dict[str, Any]:
    """List readings in canonical units, visit by visit; the filters are those of visits."""
    wanted = asked.wanted(asked.visit_id)
    return _of_visits(intake, listings.READING_ROWS, asked, wanted, _READING, asked.superseded)


@router.get("/firing-points", summary="Firing points, by pages", response_model=PointPage)
def points(asked: Annotated[PointList, Query()], intake: IntakeOf) -> dict[str, Any]:
    """List firing points in canonical units, visit by visit; the filters are those of visits."""
    wanted = asked.wanted(asked.visit_id)
    return _of_visits(intake, listings.POINT_ROWS, asked, wanted, _POINT)
