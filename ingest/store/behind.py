"""What firing points are made of, without reading ten thousand readings of a log to say it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from ingest.store.named import rows_of_each
from ingest.store.rows import reading_from
from parsers.model import Reading
from parsers.points import FiringPoint

_ENDS = 3
"""Readings at the begin and at the end of a part that are read in full; a short part all are."""


@dataclass(frozen=True, slots=True)
class Part:
    """The readings of one point that came by one file, or none of any file.

    Attributes
    ----------
    lines : sequence of int
        The first line of each reading that has lines.
    readings : sequence of Reading
        All of them; where a file gave many, only those at its two ends.
    """

    attachment_id: UUID | None
    ids: Sequence[str]
    lines: Sequence[int]
    readings: Sequence[Reading]

    def lines_of(self, key: str) -> list[int]:
        """Return the lines that a quantity was read in; of many, all between the ends."""
        found = [r.at[key][0] for r in self.readings if key in r.at]
        if len(self.readings) == len(self.ids) or not found:
            return found
        return [n for n in self.lines if min(found) <= n <= max(found)]


_Rows = list[tuple[str, int | None]]


def parts_behind(
    sql: sqlite3.Connection, visit_id: UUID | str, points: Sequence[FiringPoint]
) -> list[list[Part]]:
    """Return for each point of a visit what it is made of, in the order in which it came."""
    by_line: dict[tuple[str, float, int], int] = {}
    by_key: dict[tuple[str, float], list[int]] = {}
    for n, point in enumerate(points):
        rate = (point.key.phase, point.key.firing_rate)
        by_key.setdefault(rate, []).append(n)
        by_line.update({(*rate, line): n for line in point.lines})
    found: list[dict[str | None, _Rows]] = [{} for _ in points]
    rows = sql.execute(
        "SELECT id, attachment_id, phase, firing_rate, json_extract(document, '$.lines[0]') "
        "FROM reading WHERE visit_id = :v AND superseded_at IS NULL ORDER BY seq",
        {"v": str(visit_id)},
    )
    for identity, file, phase, rate, line in rows:
        if line is None:  # typed or sent: it may belong to every pass at its rate
            mine: Iterable[int] = by_key.get((phase, rate), ())
        else:
            at = by_line.get((phase, rate, line))
            mine = () if at is None else (at,)
        for n in mine:
            found[n].setdefault(file, []).append((identity, line))
    wanted = [i for parts in found for file, part in parts.items() for i in _whole(file, part)]
    read = _readings(sql, wanted)
    return [[_part(file, part, read) for file, part in parts.items()] for parts in found]


def _whole(file: str | None, part: _Rows) -> list[str]:
    """Return the ids of a part's readings that are read in full."""
    ids = [identity for identity, _ in part]
    return ids if file is None or len(ids) <= 2 * _ENDS else [*ids[:_ENDS], *ids[-_ENDS:]]


def _part(file: str | None, part: _Rows, read: Mapping[str, Reading]) -> Part:
    return Part(
        attachment_id=None if file is None else UUID(file),
        ids=[identity for identity, _ in part],
        lines=[line for _, line in part if line is not None],
        readings=[read[identity] for identity in _whole(file, part)],
    )


def _readings(sql: sqlite3.Connection, ids: Sequence[str]) -> dict[str, Reading]:
    rows = rows_of_each(
        sql, "SELECT id, phase, burner, fuel, firing_rate, document FROM reading WHERE id IN", ids
    )
    return {
        r[0]: reading_from(r[5], phase=r[1], burner=r[2], fuel=r[3], firing_rate=r[4]) for r in rows
    }
