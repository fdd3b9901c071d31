"""A log's cut on both sides: which goes further, both versions in words, and the way across.

The list of a cut's corrections only grows, so one side goes further where its list begins with the
other's. Where both went on, each its own way, a person says whose stands: the other side takes its
own corrections back, which its list keeps, and makes those of this one. Their lists have another
past from then on, and are compared from a mark on that says where.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile

from fluebook.client import JsonObject
from fluebook.field_book.chains import Ahead
from fluebook.field_book.meeting import Meeting, hash_of
from ingest.cut_operations import CutOperation, operation_from, standing
from ingest.intake_cuts import LogCut
from ingest.store.field import Common

_DECIDED = "decided between two cuts"


@dataclass(frozen=True, slots=True)
class CutSide:
    """A cut on one side: its corrections, by whom, and how many the confirmed one has."""

    operations: Sequence[JsonObject]
    who: Sequence[str]
    confirmed: int | None
    confirmed_by: str | None

    def standing(self, count: int | None = None) -> list[CutOperation]:
        """Return the corrections that stand after so many."""
        return standing([operation_from(one) for one in self.operations[:count]])

    def confirmed_standing(self) -> list[CutOperation] | None:
        """Return the corrections of the confirmed cut, None where none is."""
        return None if self.confirmed is None else self.standing(self.confirmed)


@dataclass(frozen=True, slots=True)
class TwoCuts:
    """The cut of one log on both sides, and how long their lists are up to where they met last."""

    mine: CutSide
    office: CutSide
    met: tuple[int, int] = (0, 0)

    def ahead(self) -> Ahead:
        """Return which side knows corrections or a confirmation that the other does not."""
        mine, office = self.mine.standing(), self.office.standing()
        confirmed, other = self.mine.confirmed_standing(), self.office.confirmed_standing()
        if mine == office:
            if confirmed == other:
                return "same"
            if other is None or confirmed == mine:
                return "mine"
            return "office" if confirmed is None or other == office else "apart"
        here, there = self.mine.operations[self.met[0] :], self.office.operations[self.met[1] :]
        at = [
            float("-inf") if side.confirmed is None else side.confirmed - past
            for side, past in zip((self.mine, self.office), self.met, strict=True)
        ]
        if here[: len(there)] == there:
            return "mine" if at[0] >= at[1] else "apart"
        if there[: len(here)] == here:
            return "office" if at[1] >= at[0] else "apart"
        return "apart"

    def shown(self) -> tuple[JsonObject, JsonObject]:
        """Return both versions in words, from the first correction on in which they differ."""
        here, there = self.mine.operations[self.met[0] :], self.office.operations[self.met[1] :]
        pairs = zip(here, there, strict=False)
        same = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))
        first = self.met[0] + same + 1  # both are counted as in this book
        return (
            _in_words(self.mine, self.met[0] + same, first),
            _in_words(self.office, self.met[1] + same, first),
        )


def two_cuts(meeting: Meeting, cut: LogCut, office: JsonObject) -> TwoCuts:
    """Return a log's cut as it stands here and as the office answers it."""
    mine, theirs = _here(cut), _there(office)
    base = meeting.common("cut", cut.attachment.id)
    return TwoCuts(mine, theirs, (0, 0) if base is None else _met(mine, theirs, base))


def _here(cut: LogCut) -> CutSide:
    confirmed = cut.confirmation
    return CutSide(
        [dict(c.operation) for c in cut.corrections],
        [c.who for c in cut.corrections],
        None if confirmed is None else confirmed.corrections,
        None if confirmed is None else confirmed.who,
    )


def _there(cut: JsonObject) -> CutSide:
    own = ("number", "made_at", "who")
    confirmed = cut["confirmed"]
    return CutSide(
        [{k: v for k, v in one.items() if k not in own} for one in cut["corrections"]],
        [one["who"] for one in cut["corrections"]],
        None if confirmed is None else int(confirmed["corrections"]),
        None if confirmed is None else str(confirmed["who"]),
    )


def _met(mine: CutSide, office: CutSide, base: Common) -> tuple[int, int]:
    for count in range(len(office.operations), -1, -1):
        if hash_of(office.operations[:count]) == base.sha256:
            return min(base.local_version, len(mine.operations)), count
    return 0, 0


def _in_words(side: CutSide, known: int, first: int) -> JsonObject:
    fresh = zip(side.operations[known:], side.who[known:], strict=True)
    found: JsonObject = {
        f"correction {number}": f"{correction_line(one)}, by {who}"
        for number, (one, who) in enumerate(fresh, first)
    }
    left = len(side.operations) - (side.confirmed or 0)
    said = "no"
    if side.confirmed is not None:
        said = f"by {side.confirmed_by}"
        said += f", before the last {left} of these corrections" if left else ""
    return found | {"confirmed": said}


def correction_line(one: JsonObject) -> str:
    """Return one correction of a cut in words.

    >>> correction_line({"action": "rate", "at": 754.0, "rate": 50.0})
    'the stretch around 12:34 was fired at 50 %'
    >>> correction_line({"action": "drop", "at": 9.5, "why": "not yet steady"})
    'the stretch around 0:09 is left out (not yet steady)'
    """
    at, to = (f"{int(s) // 60}:{int(s) % 60:02d}" for s in (one.get("at", 0), one.get("to", 0)))
    phase = str(one.get("phase", "")).replace("_", " ")
    stretch = f"the stretch around {at}" if "at" in one else "every stretch"
    said = {
        "move": f"the boundary at {at} is moved to {to}",
        "split": f"a boundary is set at {at}",
        "join": f"the boundary at {at} is taken away",
        "rate": f"{stretch} was fired at {one.get('rate', 0):g} %",
        "drop": f"{stretch} is left out",
        "keep": f"{stretch} is a firing point",
        "phase": f"{stretch} was taken {phase}",
        "undo": "the correction before is taken back",
    }[one["action"]]
    return f"{said} ({one['why']})" if one.get("why") else said


def across(start: Sequence[CutOperation], wanted: Sequence[CutOperation]) -> list[CutOperation]:
    """Return the corrections that make the one that stands of another that stands.

    >>> here, there = [CutOperation("drop", at=5.0)], [CutOperation("keep", at=9.0)]
    >>> [one.action for one in across(here, there)]
    ['undo', 'keep']
    """
    kept = sum(1 for _ in takewhile(lambda p: p[0] == p[1], zip(start, wanted, strict=False)))
    return [CutOperation("undo", why=_DECIDED)] * (len(start) - kept) + list(wanted[kept:])
