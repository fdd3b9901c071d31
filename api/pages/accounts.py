"""Accounts and keys on one page, for administrators."""

from __future__ import annotations

from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData

from api.accounts.desk import Unfit
from api.pages.render import page
from api.refusals import why_not
from api.routes.accounts import DeskOf
from api.routes.shared import IntakeOf, decider
from api.words import words
from ingest.intake import Intake
from ingest.store import NotFound, StateConflict
from ingest.store.accounts import ROLES, SCOPES, Role, Scope

router = APIRouter(include_in_schema=False)


def _page(
    request: Request,
    desk: DeskOf,
    intake: Intake,
    *,
    told: str = "",
    shown_once: str = "",
    once_is: str = "",
    status: int = 200,
) -> Response:
    sites = {site.id: site.name for site in intake.sites()}

    def reach(ids: tuple[UUID, ...] | None) -> str:
        if ids is None:
            return words().t("all sites")
        return ", ".join(sites.get(i, str(i)) for i in ids) or words().t("no site")

    answer = page(
        request,
        "accounts.html",
        title=words().t("Accounts and keys"),
        accounts=[(a, reach(a.sites)) for a in desk.accounts()],
        keys=[(k, reach(k.sites)) for k in desk.all_keys()],
        sites=sites,
        roles=ROLES,
        scopes=SCOPES,
        told=told,
        shown_once=shown_once,
        once_is=once_is,
        status=status,
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


@router.get("/accounts")
def accounts(request: Request, desk: DeskOf, intake: IntakeOf) -> Response:
    """Show who may sign in and which programs have keys."""
    return _page(request, desk, intake)


def _role(form: FormData) -> Role:
    asked = str(form.get("role"))
    for role in ROLES:
        if role == asked:
            return role
    raise Unfit("role", words().t("Choose a role."))


def _sites(form: FormData) -> list[UUID] | None:
    chosen = [str(s) for s in form.getlist("sites") if str(s)]
    try:
        return [UUID(s) for s in chosen] or None
    except ValueError as error:
        raise Unfit("sites", words().t("Choose sites from the list.")) from error


def _link(request: Request, token: str) -> str:
    return f"{str(request.base_url).rstrip('/')}/first/{token}"


async def _done(request: Request, desk: DeskOf, intake: Intake, make: object) -> Response:
    assert callable(make)

    def done() -> Response:
        try:
            once_is, shown_once = make()
        except (Unfit, StateConflict, NotFound) as error:
            told = f"{why_not(error)}."
            return _page(request, desk, intake, told=told, status=422)
        if not shown_once:
            return RedirectResponse("/accounts", status_code=303)
        return _page(request, desk, intake, shown_once=shown_once, once_is=once_is)

    return await run_in_threadpool(done)


@router.post("/accounts")
async def make_account(request: Request, desk: DeskOf, intake: IntakeOf) -> Response:
    """Make an account and show its one-time link."""
    form = await request.form()
    who = decider(request, str(form.get("who") or "administrator"))

    def make() -> tuple[str, str]:
        made, token = desk.add_account(
            str(form.get("name") or ""),
            _role(form),
            who,
            printed_name=str(form.get("printed_name") or "")[:100],
            email=str(form.get("email") or "")[:200] or None,
            sites=_sites(form),
        )
        said = words().t("Link for {name}; it opens once, within a day", name=made.name)
        return said, _link(request, token)

    return await _done(request, desk, intake, make)


@router.post("/accounts/{account_id}")
async def change_account(
    request: Request, account_id: UUID, desk: DeskOf, intake: IntakeOf
) -> Response:
    """Change a role, or close or open an account."""
    form = await request.form()
    who = decider(request, "administrator")

    def make() -> tuple[str, str]:
        there = desk.account(account_id)
        desk.change_account(
            account_id,
            who,
            role=_role(form),
            printed_name=there.printed_name,
            email=there.email,
            sites=there.sites,
            closed=form.get("closed") == "yes",
        )
        return "", ""

    return await _done(request, desk, intake, make)


@router.post("/accounts/{account_id}/link")
async def new_link(request: Request, account_id: UUID, desk: DeskOf, intake: IntakeOf) -> Response:
    """Make a new one-time link and show it."""
    who = decider(request, "administrator")

    def make() -> tuple[str, str]:
        there = desk.account(account_id)
        said = words().t("Link for {name}; it opens once, within a day", name=there.name)
        return said, _link(request, desk.link_for(account_id, who))

    return await _done(request, desk, intake, make)


@router.post("/keys")
async def make_key(request: Request, desk: DeskOf, intake: IntakeOf) -> Response:
    """Make a key and show its secret this once."""
    form = await request.form()
    who = decider(request, "administrator")
    scopes: list[Scope] = [s for s in SCOPES if s in form.getlist("scopes")]

    def make() -> tuple[str, str]:
        made, secret = desk.add_key(
            str(form.get("label") or ""), who, role=_role(form), scopes=scopes, sites=_sites(form)
        )
        said = words().t("Key for {label}; it is not kept and never shown again", label=made.label)
        return said, secret

    return await _done(request, desk, intake, make)


@router.post("/keys/{key_id}/revoke")
async def revoke_key(request: Request, key_id: UUID, desk: DeskOf, intake: IntakeOf) -> Response:
    """Revoke a key."""
    who = decider(request, "administrator")

    def make() -> tuple[str, str]:
        desk.revoke_key(key_id, who)
        return "", ""

    return await _done(request, desk, intake, make)
