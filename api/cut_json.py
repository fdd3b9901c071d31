"""A log's cut as the API answers it: fluebook.cut/1, canonical units under glossary keys."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from api.problems import ErrorItem, ProblemError
from ingest.intake_cuts import LogCut
from parsers.cut_corrections import CorrectionError
from parsers.cut_points import JUDGED_BASES
from parsers.segments import Segment


def cut_json(cut: LogCut) -> dict[str, Any]:
    """Return a cut with its stretches, corrections and what was confirmed of it."""
    confirmed = cut.confirmation
    return {
        "format": "fluebook.cut/1",
        "id": str(cut.attachment.id),
        "file": {"name": cut.attachment.name, "sha256": cut.attachment.sha256},
        "started": cut.log.started.isoformat(),
        "seconds": float(cut.log.times[-1]),
        "readings": cut.log.count,
        "without_time": cut.log.untimed,
        "quantities": list(cut.log.columns),
        "rates": list(cut.rates),
        "response_time": cut.response_time,
        "notes": list(cut.notes),
        "segments": [_segment(cut, s) for s in cut.segments],
        "plateaus": len(cut.plateaus),
        "waiting": len(cut.waiting),
        "corrections": [
            {"number": c.number, "made_at": c.at, "who": c.who, **c.operation}
            for c in cut.corrections
        ],
        "confirmed": None
        if confirmed is None
        else {
            "number": confirmed.number,
            "made_at": confirmed.at,
            "who": confirmed.who,
            "corrections": confirmed.corrections,
            "is_the_present_cut": cut.confirmed,
        },
    }


def _segment(cut: LogCut, s: Segment) -> dict[str, Any]:
    found: dict[str, Any] = {
        "kind": s.kind,
        "start": s.start,
        "end": s.end,
        "from": (cut.log.started + timedelta(seconds=s.start)).isoformat(),
        "to": (cut.log.started + timedelta(seconds=s.end)).isoformat(),
        "why": s.why,
    }
    if s.kind != "plateau":
        return found
    lacks = [] if s.rate_basis in JUDGED_BASES else ["firing_rate"]
    lacks += [] if s.start in cut.phases else ["phase"]
    return found | {
        "firing_rate": s.firing_rate,
        "rate_basis": s.rate_basis,
        "phase": cut.phases.get(s.start),
        "phase_basis": cut.phase_basis.get(s.start),
        "waits_for": lacks,
        "settled": s.settled,
        "values": {
            key: {
                "mean": v.mean,
                "spread": v.spread,
                "count": v.count,
                "drift": v.drift,
                "u_mean": v.u_mean,
                "settled": v.settled,
                "settled_from": s.settled_from.get(key),
            }
            for key, v in s.values.items()
        },
    }


def problem_of_correction(error: CorrectionError) -> ProblemError:
    """Return a correction that does not fit the cut as a problem."""
    item = ErrorItem(
        message=str(error),
        pointer="/corrections",
        code="correction_does_not_fit",
        next_step="Look at the cut as it stands, and send corrections that fit it.",
    )
    return ProblemError("not-valid", f"{error}.", [item])
