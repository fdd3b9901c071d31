"""Who signed a visit's report, and which of the contents that were signed can be set again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from api.report.given import Signature
from api.report.numbers import MADE, moment_of
from ingest.store import NotFound

Trail = Sequence[Mapping[str, Any]]


def signatures(trail: Trail) -> list[Signature]:
    """Return hand-in, acceptance and sending back, each with the content that it signed."""
    kept = {r["details"]["content_sha256"]: r["details"] for r in trail if r["action"] == MADE}
    found = []
    for line in trail:
        action = line["action"]
        if action not in ("handed_in", "accepted", "sent_back"):
            continue
        details = line["details"]
        signed = kept.get(details.get("report_sha256"), {})
        found.append(
            Signature(
                act=action,
                account=str(line["who"]),
                name=str(details.get("printed_name") or line["who"]),
                time=moment_of(line),
                report_sha256=str(details.get("report_sha256") or ""),
                note=str(details.get("note") or details.get("words") or "") or None,
                setting=str(signed.get("setting") or ""),
                facts_sha256=str(signed.get("facts_sha256") or ""),
            )
        )
    return found


def kept_contents(trail: Trail) -> frozenset[str]:
    """Return the SHA-256 of each content of a visit's reports that is kept in full."""
    details = (line["details"] for line in trail if line["action"] == MADE)
    return frozenset(d["content_sha256"] for d in details if d.get("kept") == "content")


def signed_content(trail: Trail, asked: str) -> str:
    """Return the SHA-256 of the signed content that is asked for.

    Parameters
    ----------
    asked : str
        Its SHA-256, the first of its signs where no other begins so, or "last".

    Raises
    ------
    NotFound
        If no content was signed, or not one alone is meant.
    """
    there = [s.report_sha256 for s in signatures(trail) if s.report_sha256]
    found = there[-1:] if asked == "last" else {s for s in there if s.startswith(asked.lower())}
    if len(found) != 1:
        raise NotFound("report", asked)
    return next(iter(found))
