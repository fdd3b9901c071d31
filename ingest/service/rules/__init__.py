"""Rules for the service part of a visit; ``judge_service`` is the one function."""

from __future__ import annotations

from ingest.service.rules.judge import SERVICE_RULES, holds_service, judge_service, with_service

__all__ = ["SERVICE_RULES", "holds_service", "judge_service", "with_service"]
