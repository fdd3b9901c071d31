"""The figures behind sentences of findings that stand outside their judgement.

The review list, the stops that wait and the mails hold a finding as its sentence only. Its figures
stay in one place, the judgement, and are read from there for the few sentences that are shown.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection
from uuid import UUID

from ingest.figures import Figures, figures_of
from ingest.judgement import Flag
from ingest.store.judgements import flag_from
from ingest.store.named import rows_of_each
from ingest.store.rows import point_from
from parsers.model import Phase
from parsers.points import FiringPoint, PointKey

Said = tuple[UUID, str]
"""A visit, and a sentence of one of its findings."""


def figures_behind(sql: sqlite3.Connection, said: Collection[Said]) -> dict[Said, Figures]:
    """Return the figures of findings by visit and sentence, of the newest judgement that says it.

    A sentence that no deciding judgement of its visit says is left out.
    """
    wanted = set(said)
    visits = sorted({str(visit) for visit, _ in wanted})
    flags: dict[Said, Flag] = {}
    # Oldest first: a later judgement's finding takes the place of an earlier one's.
    for visit, _, document in sorted(
        rows_of_each(
            sql,
            "SELECT visit_id, id, document FROM judgement WHERE kind <> 'again' AND visit_id IN",
            visits,
        )
    ):
        held: set[str] = set()
        for found in json.loads(document)["flags"]:
            said_so = found["message"]
            if (UUID(visit), said_so) in wanted and said_so not in held:
                held.add(said_so)
                flags[UUID(visit), said_so] = flag_from(found)
    places = {(v, flag.phase, rate) for (v, _), flag in flags.items() for rate in flag.firing_rates}
    points = _points(sql, places)
    return {at: figures_of(flag, points.get(at[0], ())) for at, flag in flags.items()}


def _points(
    sql: sqlite3.Connection, places: Collection[tuple[UUID, Phase | None, float]]
) -> dict[UUID, list[FiringPoint]]:
    """Return the points of each visit at some of its phases and rates, in their order."""
    found: dict[UUID, list[FiringPoint]] = {}
    # Of two passes that round alike, the first is taken wherever it is said.
    for visit, _, *key, document in sorted(
        rows_of_each(
            sql,
            "SELECT visit_id, seq, burner, fuel, phase, firing_rate, pass, document FROM point "
            "WHERE visit_id IN",
            sorted({str(visit) for visit, _, _ in places}),
        )
    ):
        at = PointKey(*key)
        if (UUID(visit), at.phase, at.firing_rate) in places:
            found.setdefault(UUID(visit), []).append(point_from(at, document))
    return found
