"""The service part of a visit: plans, records, intervals, what is due, safety tests.

Judging the recorded part is ``ingest.service.rules.judge_service``; it stands apart because it
needs the shapes of a judgement, which need the documents, which need the records.
"""

from __future__ import annotations

from ingest.service.models import ServiceRecord
from ingest.service.plans import Plan, PlanError, read_plan

__all__ = ["Plan", "PlanError", "ServiceRecord", "read_plan"]
