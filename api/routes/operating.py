"""For whoever runs it: is it up, can it work, and its figures."""

from __future__ import annotations

import sqlite3

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from api.routes.shared import IntakeOf
from api.watch import Figures
from ingest.models import SEVERITIES
from ingest.store.lists import counts_by_state

router = APIRouter(include_in_schema=False)


@router.get("/healthz")
def healthy() -> dict[str, str]:
    """Say that the program runs."""
    return {"status": "up"}


@router.get("/readyz")
def ready(request: Request, intake: IntakeOf) -> JSONResponse:
    """Say whether the book can be read and written, and the program is not about to stop."""
    if getattr(request.app.state, "stopping", False):
        return JSONResponse({"status": "stopping"}, status_code=503)
    try:
        intake.book.check_writable()
    except sqlite3.Error as error:
        return JSONResponse({"status": "book", "why": str(error)}, status_code=503)
    return JSONResponse({"status": "ready"})


@router.get("/metrics")
def metrics(request: Request, intake: IntakeOf) -> Response:
    """Return the figures in the Prometheus text format."""
    figures: Figures = request.app.state.figures
    for state, count in counts_by_state(intake.book.reader).items():
        figures.visits.labels(state).set(count)
    counts = intake.counts()
    for severity in (*SEVERITIES, None):
        figures.waiting.labels(severity or "none").set(counts.get(severity, 0))
    return Response(generate_latest(figures.registry), media_type=CONTENT_TYPE_LATEST)
