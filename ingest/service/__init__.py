"""The service part of a visit: plans, records, intervals, what is due, safety tests.

Only the recorded documents are handed on here, because every visit needs them at start; plans are
in ``ingest.service.plans``, due work in ``.due``, judging in ``.rules``.
"""

from __future__ import annotations

from ingest.service.models import ServiceRecord

__all__ = ["ServiceRecord"]
