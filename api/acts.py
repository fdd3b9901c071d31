"""Hand-in and acceptance over a request: the report is kept, and signed with a printed name."""

from __future__ import annotations

from uuid import UUID

from fastapi import Request

from api.doorkeeper import principal_of
from api.report.from_book import signing
from api.report.given import ReportOptions
from api.routes.shared import plans_of
from api.settings import Settings
from ingest.intake import Intake, Signing


def report_signing(
    request: Request, intake: Intake, visit_id: UUID, printed_name: str = ""
) -> Signing:
    """Return what an act signs: the report in the office's units, under the name as printed.

    Without a printed name it is that of the account, and without an account the name that acts.
    """
    settings: Settings = request.app.state.settings
    principal = principal_of(request.scope)
    own = principal.printed_name if principal.kind == "account" else ""
    return signing(
        intake,
        visit_id,
        plans_of(request),
        printed_name=printed_name.strip() or own,
        options=ReportOptions(units=settings.units),
        company=settings.company,
    )
