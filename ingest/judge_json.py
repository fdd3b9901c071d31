"""A judgement as the exchange document fluebook.judge/1."""

from __future__ import annotations

from math import isfinite
from typing import Any, cast

from ingest.contract_shapes import FlagShape, JudgeShape
from ingest.judgement import Flag, Judgement


def _rounded(value: float | None) -> float | None:
    # Nine digits: enough for every limit, and no binary dust in files that people compare.
    # JSON has no infinity: a hostile number is null there.
    return None if value is None or not isfinite(value) else float(f"{value:.9g}")


def flag_json(flag: Flag) -> dict[str, Any]:
    """Return one flag as in fluebook.judge/1; numbers in the quantity's canonical unit."""
    return cast(dict[str, Any], _flag(flag))


def judge_json(judgement: Judgement) -> dict[str, Any]:
    """Return the document fluebook.judge/1 of a judgement."""
    return cast(dict[str, Any], _document(judgement))


def _flag(flag: Flag) -> FlagShape:
    source = flag.source
    return {
        "id": flag.id,
        "rule": flag.rule,
        "severity": flag.severity,
        "phase": flag.phase,
        "burner": flag.burner,
        "fuel": flag.fuel,
        "firing_rates": list(flag.firing_rates),
        "quantity": flag.quantity,
        "unit": flag.unit,
        "value": _rounded(flag.value),
        "uncertainty": _rounded(flag.uncertainty),
        "limit": {"low": _rounded(flag.low), "high": _rounded(flag.high)},
        "answer": flag.answer,
        "probability_beyond": _rounded(flag.probability_beyond),
        "source": None
        if source is None
        else {"text": source.text, "status": source.status, "level": source.level},
        "message": flag.message,
        "next_step": flag.next_step,
        "effects": list(flag.effects),
    }


def _document(judgement: Judgement) -> JudgeShape:
    return {
        "format": "fluebook.judge/1",
        "visit": judgement.visit,
        "worst": judgement.worst,
        "rules_version": judgement.rules_version,
        "limits": {"id": judgement.limits_id, "sha256": judgement.limits_sha256},
        "flags": [_flag(flag) for flag in judgement.flags],
        "not_judged": [
            {"rule": n.rule, "needs": n.needs, "why": n.why} for n in judgement.not_judged
        ],
        "work_done": [_flag(flag) for flag in judgement.work_done],
    }
