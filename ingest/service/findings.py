"""Open findings follow the boiler from visit to visit until somebody closes them by name."""

from __future__ import annotations

from collections.abc import Iterable

from ingest.service.models import Finding, ServiceRecord


def open_findings(records: Iterable[ServiceRecord]) -> list[Finding]:
    """Return what is still open after a boiler's visits.

    Parameters
    ----------
    records : iterable of ServiceRecord
        Oldest first. A finding opened again under the same id after it was closed is open again.
    """
    return _told(records)[0]


def closed_findings(records: Iterable[ServiceRecord]) -> list[Finding]:
    """Return what was open once and is closed after a boiler's visits, oldest first."""
    return _told(records)[1]


def _told(records: Iterable[ServiceRecord]) -> tuple[list[Finding], list[Finding]]:
    held: dict[str, Finding] = {}
    ended: dict[str, Finding] = {}
    for record in records:
        # A closing written in the same visit is meant for that visit's finding, too.
        for finding in record.findings:
            held[finding.id] = finding
            ended.pop(finding.id, None)
        for closed in record.closed:
            if closed.id in held:
                ended[closed.id] = held.pop(closed.id)
    open_now, closed_now = (
        sorted(some.values(), key=lambda f: (f.opened, f.id)) for some in (held, ended)
    )
    return open_now, closed_now
