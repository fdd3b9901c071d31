"""Whole numbers of any length in what a job says."""

from __future__ import annotations

import json
from uuid import UUID

from fastapi.responses import JSONResponse

from api.routes.shared import document_answer
from ingest.intake import Kept
from ingest.service.job import Job


def test_whole_number_beyond_64_bits_is_answered_as_it_is() -> None:
    job = Job(id=UUID("01900000-0000-7000-8000-000000000001"))
    answer = document_answer(Kept(job, 1), {"water": [{"value": 10**30}, {"value": -(2**63) - 1}]})
    assert isinstance(answer, JSONResponse)
    assert json.loads(bytes(answer.body)) == {"water": [{"value": 10**30}, {"value": -(2**63) - 1}]}
