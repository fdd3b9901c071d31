"""Standing acceptances in the reader's words."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from api.pages.show import Shown
from api.words import _, words
from ingest.rules import RULES
from ingest.store.standing import Standing


@dataclass(frozen=True, slots=True)
class StandingView:
    """A standing acceptance as pages show it; ``ended`` is empty while it holds."""

    id: UUID
    rule: str
    holds: str
    reason: str
    by: str
    ended: str


def standing_view(one: Standing, shown: Shown) -> StandingView:
    """Return a standing acceptance in words."""
    ends = []
    if one.until is not None:
        ends.append(_("until {day}", day=words().day(one.until)))
    if one.until_part_change:
        ends.append(_("until the next part change"))
    holds = _(" or ").join(ends)
    if one.quantity is not None:
        holds = _("up to {value}, {ends}", value=shown.value(one.quantity, one.up_to), ends=holds)
    title = _(RULES[one.rule].title) if one.rule in RULES else one.rule
    ended = ""
    if one.ended_at is not None:
        ended = _("ended {day}: {why}", day=one.ended_at[:10], why=one.ended_why or "")
    return StandingView(one.id, title, holds, one.reason, one.made_by, ended)
