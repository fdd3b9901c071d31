"""Why a stretch of a log is what it is, is said in the reader's language."""

from __future__ import annotations

import numpy as np

from api.findings import reason_said
from api.words import speaking, words_of
from ingest.cut_logs import Log
from ingest.cut_operations import CutOperation, applied
from ingest.intake_cuts import proposed
from ingest.store.log_columns import LogColumns
from parsers.plateaus import propose_cut
from parsers.rate_match import RateAim
from parsers.segments import Segment
from tests import logs
from tests.simulated_logs import simulated

AIMS = [RateAim(rate, None) for rate in (25.0, 50.0, 75.0, 100.0)]


def _cuts() -> list[Segment]:
    """Return stretches of logs with and without a recorded rate, corrected ones among them."""
    found: list[Segment] = []
    made = [logs.made(p) for p in (logs.STAYS, logs.ADJUSTED, logs.COLD)]
    for one in [*made, *(simulated(seed) for seed in range(6))]:
        for rate in (False, True):
            columns = {k: v for k, v in one.columns.items() if rate or k != "firing_rate"}
            cut = propose_cut(one.times, columns, AIMS)
            found += cut
            for s in [s for s in cut if s.kind == "plateau"][:1]:
                dropped = CutOperation("drop", (s.start + s.end) / 2, why="door open")
                found += applied(cut, [dropped], one.times, columns)[0]
    return found


def test_no_reason_of_a_cut_stays_english_in_spanish() -> None:
    reasons = {s.why for s in _cuts() if s.why}
    assert len(reasons) > 5
    assert any("door open" in why for why in reasons)
    with speaking(words_of("es")):
        assert [why for why in reasons if reason_said(why) == why] == []
        assert reason_said("corrected by a person (door open)").endswith(" (door open)")
    assert {reason_said(why) for why in reasons} == reasons


def test_a_log_that_cannot_be_cut_says_so_in_spanish() -> None:
    times = np.arange(5.0)
    columns = {"o2_dry": np.full(5, 4.0)}
    log = Log(LogColumns(logs.STARTED, times, columns, np.arange(5), (), 0))
    (only,) = proposed(log, AIMS, None)
    with speaking(words_of("es")):
        assert reason_said(only.why) != only.why
