"""Which number a visit's report has: they count the contents that were kept, whatever brought them.

A line ``report_made`` of the audit chain keeps the SHA-256 of the content as it was set (units and
language are part of it) and the SHA-256 of the facts: the content in one fixed setting, without
number and time. The same facts have the same number in every setting and in every book.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from api.report.content import content
from api.report.given import Replaced, ReportInput, ReportOptions

MADE = "report_made"
"""Action of the line in the audit chain."""
ACTS = frozenset({MADE, "handed_in", "accepted", "sent_back", "judged_again"})
"""Lines of a visit's trail that change nothing of what its report says above the signatures."""
_NO_TIME = datetime(2000, 1, 1, tzinfo=UTC)

Line = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Numbered:
    """A report with its number, and what keeping it writes; ``kept`` where it is kept already."""

    given: ReportInput
    content_sha256: str
    setting: str
    facts_sha256: str
    kept: bool
    signed: bytes
    """What the content's SHA-256 is taken over, kept with an act."""

    @property
    def details(self) -> dict[str, str]:
        """Return the details of the line that keeps it."""
        return {
            "report_id": self.given.report_id,
            "content_sha256": self.content_sha256,
            "facts_sha256": self.facts_sha256,
            "setting": self.setting,
            "made": self.given.made.isoformat(),
            "kept": "content",
        }


def moment_of(line: Line) -> datetime:
    """Return the time of a line of the trail."""
    return datetime.fromisoformat(str(line["at"]).replace("Z", "+00:00"))


def facts_sha256(given: ReportInput) -> str:
    """Return the SHA-256 of what a report says, in SI units and English, without its number."""
    plain = replace(given, report_id="", made=_NO_TIME, replaces=None, signatures=())
    return content(plain, ReportOptions(units="si", language="en")).sha256


def numbered(
    given: ReportInput, options: ReportOptions, trail: Sequence[Line], visit: object
) -> Numbered:
    """Return a report with its number, its time and the report that it replaces.

    Parameters
    ----------
    given : ReportInput
        What it says; its number and its time are put in here.
    options : ReportOptions
        Units and language.
    trail : sequence of lines
        The visit's audit lines, oldest first.
    visit : object
        The visit's id, the first part of every number.
    """
    facts = facts_sha256(given)
    setting = options.setting
    lines = [line for line in trail if line["action"] == MADE]
    same = bool(lines) and _facts(lines[-1]) == facts
    started = len(lines)
    while same and started and _facts(lines[started - 1]) == facts:
        started -= 1
    mine, before = lines[started:] if same else [], lines[:started]
    number = _number(mine[0]) if mine else 1 + max((_number(line) for line in before), default=0)
    changed = [moment_of(line) for line in trail if line["action"] not in ACTS]
    made = changed[-1] if changed else given.made
    if mine:
        made = datetime.fromisoformat(mine[0]["details"].get("made") or made.isoformat())
    earlier = [r for r in before if r["details"].get("setting") == setting] or before
    given = replace(
        given, report_id=f"{visit}/{number}", made=made, replaces=_replaced(earlier[-1:])
    )
    signed = [replace(s, same_facts=s.facts_sha256 == facts) for s in given.signatures]
    given = replace(given, signatures=signed)
    made_now = content(given, options)
    digest = made_now.sha256
    kept = any(
        line["details"]["content_sha256"] == digest and line["details"].get("setting") == setting
        for line in mine
    )
    return Numbered(given, digest, setting, facts, kept, made_now.signed)


def _facts(line: Line) -> str:
    details = line["details"]
    return str(details.get("facts_sha256") or details["content_sha256"])


def _number(line: Line) -> int:
    last = str(line["details"]["report_id"]).rpartition("/")[2]
    return int(last) if last.isdigit() else 0


def _replaced(lines: Sequence[Line]) -> Replaced | None:
    if not lines:
        return None
    details = lines[-1]["details"]
    return Replaced(details["report_id"], details["content_sha256"], moment_of(lines[-1]))
