"""Rules for the service part of a visit; ``judge_service`` is the one function."""

from __future__ import annotations

# First, whoever is imported first: ``ingest.rules`` joins these rules to its own, and they are
# written with its model.
import ingest.rules  # noqa: F401
from ingest.service.rules.judge import (
    SERVICE_RULES,
    holds_service,
    judge_service,
    lacks_plan,
    with_service,
    without_service,
)

__all__ = [
    "SERVICE_RULES",
    "holds_service",
    "judge_service",
    "lacks_plan",
    "with_service",
    "without_service",
]
