"""The duty list on a page, and taking a standing stop by name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData

from api.pages.facts import finding_shown
from api.pages.render import page
from api.pages.show import Shown
from api.pages.webhooks import delivery_view, when
from api.refusals import refusals, why_not
from api.routes.duty import AskedDutyPerson, taker
from api.routes.shared import IntakeOf, signer
from api.words import words
from ingest.figures import Figures
from ingest.intake import Intake, WordsMissing
from ingest.store import NotFound, StateConflict, VersionConflict
from ingest.store.duty import StandingStop

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class StopView:
    """A standing stop in the reader's words."""

    id: UUID
    place: str
    sentences: Sequence[str]
    raised: str
    who: str


def sentences_of(stops: Iterable[StandingStop]) -> list[tuple[UUID, str | None]]:
    """Return the sentences of standing stops, each with its visit."""
    return [(one.visit_id, found["message"]) for one in stops for found in one.flags]


def stop_view(
    one: StandingStop, shown: Shown, behind: Mapping[tuple[UUID, str], Figures]
) -> StopView:
    """Return a standing stop as the top of the review list shows it."""
    boiler = one.boiler_name or words().t("Boiler not yet known")
    return StopView(
        id=one.visit_id,
        place=f"{boiler}, {one.site_name}" if one.site_name else boiler,
        sentences=[
            finding_shown(said, "stop", shown, behind.get((one.visit_id, said), ()))
            for said in (found["message"] for found in one.flags)
        ],
        raised=when(one.raised_at),
        who=one.handed_in_by,
    )


def _page(request: Request, intake: Intake, *, told: str = "", status: int = 200) -> Response:
    mails = intake.deliveries(channel="email", most=10)
    return page(
        request,
        "duty.html",
        title=words().t("Duty list"),
        status=status,
        people=intake.duty_list(),
        mails=[delivery_view(intake, d) for d in mails],
        mail_server=bool(request.app.state.settings.smtp_host),
        told=told,
    )


@router.get("/duty")
def duty_list(request: Request, intake: IntakeOf) -> Response:
    """Show who is told of a stop."""
    return _page(request, intake)


async def _done(request: Request, intake: Intake, change: Callable[[], object]) -> Response:
    def done() -> Response:
        try:
            change()
        except ValidationError as error:
            said = "; ".join(why for _at, why in refusals(error)) + "."
            return _page(request, intake, told=said, status=422)
        except (NotFound, VersionConflict) as error:
            return _page(request, intake, told=f"{why_not(error)}.", status=409)
        return RedirectResponse("/duty", status_code=303)

    return await run_in_threadpool(done)


def _asked(form: FormData) -> AskedDutyPerson:
    return AskedDutyPerson(
        name=str(form.get("name") or "").strip(), email=str(form.get("email") or "").strip()
    )


@router.post("/duty")
async def add(request: Request, intake: IntakeOf) -> Response:
    """Put somebody on the list."""
    form = await request.form()
    who = signer(request, "") or "page"

    def change() -> object:
        asked = _asked(form)
        return intake.put_duty_person(asked.name, asked.email, who)

    return await _done(request, intake, change)


@router.post("/duty/{person_id}")
async def alter(request: Request, person_id: UUID, intake: IntakeOf) -> Response:
    """Change name or address."""
    form = await request.form()
    who = signer(request, "") or "page"

    def change() -> object:
        intake.duty_person(person_id)
        asked = _asked(form)
        return intake.put_duty_person(asked.name, asked.email, who, person_id=person_id)

    return await _done(request, intake, change)


@router.post("/duty/{person_id}/test")
async def test(request: Request, person_id: UUID, intake: IntakeOf) -> Response:
    """Send a test mail."""
    who = signer(request, "") or "page"
    return await _done(request, intake, lambda: intake.test_duty_person(person_id, who))


@router.post("/duty/{person_id}/remove")
async def remove(request: Request, person_id: UUID, intake: IntakeOf) -> Response:
    """Take somebody off the list."""
    who = signer(request, "") or "page"
    return await _done(request, intake, lambda: intake.remove_duty_person(person_id, who))


@router.post("/visits/{visit_id}/take-stop")
async def take_stop(request: Request, visit_id: UUID, intake: IntakeOf) -> Response:
    """Take a standing stop by name."""
    form = await request.form()
    why = str(form.get("why") or "").strip()[:1000]

    def done() -> Response:
        try:
            intake.take_stop(visit_id, taker(request, str(form.get("who") or "")), why)
        except (StateConflict, WordsMissing) as error:
            return page(
                request,
                "problem.html",
                title=words().t("The stop was not taken"),
                status=409 if isinstance(error, StateConflict) else 422,
                heading=words().t("The stop was not taken"),
                detail=f"{why_not(error)}.",
            )
        return RedirectResponse(f"/visits/{visit_id}", status_code=303)

    return await run_in_threadpool(done)
