"""What comes due otherwise by other plans: two due lists of the same boilers told apart."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from ingest.service.due import Due, Kind


@dataclass(frozen=True, slots=True)
class Shift:
    """One thing whose day differs.

    Attributes
    ----------
    item : Due
        As the new plan has it, as the present one has it where the new one has it not.
    before, after : date or None
        Its day each way; None where it is not planned.
    """

    item: Due
    before: date | None
    after: date | None


@dataclass(frozen=True, slots=True)
class DueTried:
    """What is due on a day by the present plan and by another.

    Attributes
    ----------
    today : date
        The day, in UTC.
    boilers : int
        Boilers that one of the plans keeps; only the first by name were looked at where there are
        more than ``looked``.
    newly, no_longer, moved : sequence of Shift
        Due today by the new plan only; by the present one only; on the same side of today, but on
        another day. Each by the day that it now has, then by boiler.
    """

    today: date
    boilers: int
    looked: int
    newly: Sequence[Shift]
    no_longer: Sequence[Shift]
    moved: Sequence[Shift]


Key = tuple[object, Kind, str | None, str]


def _by_key(items: Sequence[Due]) -> dict[Key, Due]:
    return {(i.place, i.kind, i.plan, i.key): i for i in items if i.kind != "finding"}


def due_tried(
    before: Sequence[Due], after: Sequence[Due], today: date, *, boilers: int, looked: int
) -> DueTried:
    """Return how two due lists differ, both of them without an end.

    What is due is one thing by boiler, kind, plan and key. Findings hang on no plan.
    """
    now, then = _by_key(before), _by_key(after)
    shifts = []
    for key in now.keys() | then.keys():
        was, becomes = now.get(key), then.get(key)
        days = [None if one is None else one.on for one in (was, becomes)]
        if days[0] != days[1]:
            item = becomes or was
            assert item is not None
            shifts.append(Shift(item, days[0], days[1]))
    shifts.sort(key=lambda s: (s.after or s.before or today, s.item.place, s.item.kind, s.item.key))

    def of(wanted: Callable[[bool, bool], bool]) -> list[Shift]:
        def due_by(day: date | None) -> bool:
            return day is not None and day <= today

        return [s for s in shifts if wanted(due_by(s.before), due_by(s.after))]

    return DueTried(
        today,
        boilers,
        looked,
        newly=of(lambda was, becomes: becomes and not was),
        no_longer=of(lambda was, becomes: was and not becomes),
        moved=of(lambda was, becomes: was == becomes),
    )
