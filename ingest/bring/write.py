"""Writing what was brought in: one change of the book for the whole file, all of it or nothing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from uuid import UUID

from ingest.bring.boilers import BroughtBoiler
from ingest.bring.table import ImportProblem, ImportRefused, Table
from ingest.bring.visits import BroughtVisit
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Boiler, Site, Visit
from parsers import Reading
from parsers.times import zone_of

OWNER = "import"


@dataclass(slots=True)
class Brought:
    """How many of each came in, and how many were there already."""

    sites: int = 0
    boilers: int = 0
    visits: int = 0
    points: int = 0
    there_already: int = 0


def _same(one: str | None, other: str | None) -> bool:
    return one is not None and other is not None and one.casefold() == other.casefold()


def bring_boilers(intake: Intake, rows: Sequence[BroughtBoiler], who: str) -> Brought:
    """Write a list of boilers; those known by external id, or by name at their site, are changed.

    What the list does not say of a known boiler (its limits, its parts) stays as it is.
    """
    count = Brought()
    with intake.book.change(who) as change:
        sites = intake.sites(change)
        boilers = intake.boilers(change=change)
        for row in rows:
            site = None if row.site is None else _site(intake, row.site, sites, who, count)
            known = next((b for b in boilers if _is(b, row.boiler, site)), None)
            stated = row.boiler.model_dump(exclude_unset=True, exclude={"units", "limits"})
            if row.boiler.limits.model_fields_set:
                before = known.limits.model_dump(exclude_unset=True) if known else {}
                limits = {**before, **row.boiler.limits.model_dump(exclude_unset=True)}
                stated["limits"] = row.boiler.limits.model_copy(update=limits)
            else:
                stated.pop("limits", None)
            site_id = None if site is None else site.id
            base = known or row.boiler.model_copy(update={"id": new_id()})
            wanted = base.model_copy(update={**stated, "site_id": site_id or base.site_id})
            if known == wanted:
                count.there_already += 1
                continue
            intake.put_boiler(wanted, who, owner=OWNER)
            boilers = [b for b in boilers if b.id != wanted.id] + [wanted]
            count.boilers += 1
    return count


def _site(intake: Intake, stated: Site, sites: list[Site], who: str, count: Brought) -> Site:
    known = next(
        (
            s
            for s in sites
            if _same(s.name, stated.name) or _same(s.external_id, stated.external_id)
        ),
        None,
    )
    if known is not None:
        said = stated.model_dump(exclude_none=True, exclude_unset=True, exclude={"units"})
        if said.get("zone") == "UTC":
            del said["zone"]
        said = {key: value for key, value in said.items() if value is not None}
        changed = known.model_copy(update={**said, "name": known.name})
        if changed == known:
            return known
        sites.remove(known)
    else:
        changed = stated.model_copy(update={"id": new_id()})
        count.sites += 1
    intake.put_site(changed, who, owner=OWNER)
    sites.append(changed)
    return changed


def _is(known: Boiler, stated: Boiler, site: Site | None) -> bool:
    if stated.external_id is not None and known.external_id is not None:
        return _same(known.external_id, stated.external_id)
    here = site is None or known.site_id is None or known.site_id == site.id
    return here and _same(known.name, stated.name)


def bring_visits(
    intake: Intake, table: Table, found: Sequence[BroughtVisit], data: bytes, who: str
) -> Brought:
    """Write past visits, marked as imported; the same rows again change nothing.

    Raises
    ------
    ImportRefused
        If a boiler is not in the book, or its name fits more than one; nothing is written.
    """
    count = Brought()
    problems: list[ImportProblem] = []
    with intake.book.change(who) as change:
        sites = {s.id: s for s in intake.sites(change)}
        boilers = intake.boilers(change=change)
        for one in found:
            boiler = boiler_for(one, boilers, sites, problems)
            if boiler is None:
                continue
            visit, readings = _visit(one, boiler, sites)
            if intake.bring_visit(visit, readings, data, table.file, who, owner=OWNER):
                count.visits += 1
                keys = {(r.phase, r.firing_rate, r.burner, r.fuel) for r in readings}
                count.points += len(keys)
            else:
                count.there_already += 1
        if problems:
            raise ImportRefused(table.file, problems)
    return count


def boiler_for(
    one: BroughtVisit,
    boilers: Sequence[Boiler],
    sites: dict[UUID | None, Site],
    problems: list[ImportProblem],
) -> Boiler | None:
    """Return the boiler that a row names; add a problem where none or more than one fits."""

    def fits(boiler: Boiler) -> bool:
        if one.boiler_id and not _same(boiler.external_id, one.boiler_id):
            return False
        named = not one.boiler or _same(boiler.name, one.boiler)
        if not named and not one.boiler_id and not _same(boiler.external_id, one.boiler):
            return False
        site = sites.get(boiler.site_id)
        wanted = one.site
        return not wanted or (
            site is not None and (_same(site.name, wanted) or _same(site.external_id, wanted))
        )

    fitting = [b for b in boilers if fits(b)]
    if len(fitting) == 1:
        return fitting[0]
    name = " at ".join(n for n in (one.boiler or one.boiler_id, one.site) if n)
    problems.append(
        ImportProblem(
            one.line,
            None,
            f"the book has no boiler {name}"
            if not fitting
            else f"{len(fitting)} boilers of the book fit {name}",
            "a boiler of the list that was imported before: by its name and site, or its asset "
            "number",
        )
    )
    return None


def _visit(
    one: BroughtVisit, boiler: Boiler, sites: dict[UUID | None, Site]
) -> tuple[Visit, list[Reading]]:
    site = sites.get(boiler.site_id)
    zone: tzinfo = zone_of(boiler.zone) or zone_of(site.zone if site else None) or UTC
    started: datetime = one.day if one.day.tzinfo else one.day.replace(tzinfo=zone)
    readings = [
        r if r.time is None or r.time.tzinfo else replace(r, time=r.time.replace(tzinfo=zone))
        for r in one.readings
    ]
    name = re.sub(r"\s+", " ", one.visit_id) or f"{boiler.id} {one.day:%Y-%m-%d}"
    visit = Visit(
        external_id=name,
        boiler_id=boiler.id,
        started=started,
        technician=one.technician or None,
        note=one.note or None,
    )
    return visit, readings
