"""Rules for the service part of a visit; ``judge_service`` is the one function."""

from __future__ import annotations

from ingest.service.rules.judge import SERVICE_RULES, judge_service

__all__ = ["SERVICE_RULES", "judge_service"]
