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
    held: dict[str, Finding] = {}
    for record in records:
        # A closing written in the same visit is meant for that visit's finding, too.
        for finding in record.findings:
            held[finding.id] = finding
        for closed in record.closed:
            held.pop(closed.id, None)
    return sorted(held.values(), key=lambda f: (f.opened, f.id))
