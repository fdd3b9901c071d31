"""Forms by which a reviewer lets a finding stand, or ends that."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.pages.facts import key_of
from api.pages.forms import done_or_said
from api.pages.numbers import typed_number
from api.pages.render import shown_for
from api.pages.show import Shown
from api.problems import ErrorItem, ProblemError
from api.routes.shared import IntakeOf, decider
from api.words import _
from combustion.quantities import QUANTITIES
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Severity
from ingest.store.standing import Standing

router = APIRouter(include_in_schema=False)


def standing_asked(
    entries: Mapping[str, str], intake: Intake, visit_id: UUID, shown: Shown
) -> Standing:
    """Return what the form on a visit's page asks to let stand.

    Raises
    ------
    ProblemError
        If the finding is a stop or is gone, the value is no number or the day is none.
    """
    view = intake.visit(visit_id)
    flag = next((f for f in view.judgement.flags if f.id == entries.get("flag")), None)
    if flag is None or view.visit.boiler_id is None:
        raise _refused(_("Choose one of the findings of this visit."), "flag")
    if flag.severity == "stop":
        raise _refused(_("A stop is never accepted to stand."), "flag")
    severity: Severity = flag.severity
    up_to = None
    quantity = flag.quantity if flag.quantity in QUANTITIES and flag.value is not None else None
    text = entries.get("up_to", "").strip()
    if text and quantity is None:
        raise _refused(_("This finding has no value: leave the field empty."), "up_to")
    if quantity is not None:
        try:
            key = key_of(flag) or quantity
            up_to = flag.value if not text else shown.canonical(key, typed_number(text))
        except ValueError:
            raise _refused(_("The value is not a number."), "up_to") from None
    until = None
    if entries.get("until"):
        try:
            until = date.fromisoformat(entries["until"])
        except ValueError:
            raise _refused(_("The day is not a date."), "until") from None
    return Standing(
        id=new_id(),
        boiler_id=view.visit.boiler_id,
        rule=flag.rule,
        reason=entries.get("why", "").strip()[:1000],
        severity=severity,
        quantity=quantity,
        up_to=up_to,
        until=until,
        until_part_change="part_change" in entries,
    )


def _refused(message: str, field: str) -> ProblemError:
    item = ErrorItem(message=message.rstrip("."), parameter=field)
    return ProblemError("not-valid", message, [item])


@router.post("/visits/{visit_id}/stand")
async def stand(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Let a finding of the visit stand on its boiler."""
    async with request.form() as form:
        entries = {k: v for k, v in form.items() if isinstance(v, str)}
    shown = shown_for(request)

    def change() -> object:
        one = standing_asked(entries, intake, visit_id, shown)
        return intake.add_standing(one, decider(request, entries.get("who", "")[:100]))

    title = _("The finding was not let stand")
    return await done_or_said(request, intake, visit_id, change, title, "#why", entries)


@router.post("/standing-acceptances/{standing_id}/end")
async def end(request: Request, standing_id: UUID, intake: IntakeOf) -> Response:
    """End a standing acceptance, and go back to the boiler."""
    async with request.form() as form:
        entries = {k: v for k, v in form.items() if isinstance(v, str)}

    def change() -> Standing:
        who = decider(request, entries.get("who", "")[:100])
        return intake.end_standing(standing_id, who, entries.get("why", "")[:1000])

    ended = await run_in_threadpool(change)
    return RedirectResponse(f"/boilers/{ended.boiler_id}#standing", status_code=303)
