"""Signing in and out, and the one-time link that sets a password."""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.accounts import Desk, NotLetIn
from api.accounts.desk import SESSION_LIVES, Unfit
from api.accounts.tries import Tries
from api.doorkeeper import SESSION_COOKIE, session_token
from api.pages.render import page
from api.routes.accounts import DeskOf
from api.routes.shared import signer
from api.settings import Settings
from api.words import words

router = APIRouter(include_in_schema=False)


def _tries(request: Request) -> Tries:
    found: Tries = request.app.state.sign_in_tries
    return found


def _from(request: Request) -> str:
    return request.client.host if request.client else ""


def _inside(address: str) -> str:
    """Return an address of this fluebook to go to, the list where it leads elsewhere.

    >>> _inside("/visits/3?units=si"), _inside("//elsewhere.example/"), _inside("/\\\\elsewhere")
    ('/visits/3?units=si', '/', '/')
    """
    parts = urlsplit(address)
    outside = parts.scheme or parts.netloc or "\\" in address or not address.startswith("/")
    return "/" if outside or address.startswith("//") else address


def let_in(request: Request, desk_token: str, to: str) -> Response:
    """Give a browser its session and lead it on."""
    settings: Settings = request.app.state.settings
    answer = RedirectResponse(_inside(to), status_code=303)
    answer.set_cookie(
        SESSION_COOKIE,
        desk_token,
        max_age=int(SESSION_LIVES.total_seconds()),
        httponly=True,
        samesite="lax",
        secure=settings.secure_cookies or request.url.scheme == "https",
        path="/",
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


def _form(request: Request, to: str, told: str = "", name: str = "", status: int = 200) -> Response:
    title = words().t("Sign in")
    answer = page(
        request, "sign_in.html", title=title, to=_inside(to), told=told, typed=name, status=status
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


@router.get("/sign-in")
def sign_in_form(request: Request, to: str = "/") -> Response:
    """Show the form."""
    return _form(request, to)


@router.post("/sign-in")
async def sign_in(request: Request, desk: DeskOf) -> Response:
    """Let a person in who knows their password."""
    async with request.form() as form:
        name, password = str(form.get("name") or "")[:200], str(form.get("password") or "")
        to = str(form.get("to") or "/")[:2000]
    if not _tries(request).sign_in(_from(request), name):
        told = words().t("Too many tries: wait a minute, then try again.")
        answer = _form(request, to, told, name, 429)
        answer.headers["Retry-After"] = "60"
        return answer
    try:
        _, token = await run_in_threadpool(desk.sign_in, name, password)
    except NotLetIn:
        told = words().t("This name and password do not go together.")
        return _form(request, to, told, name, 401)
    _tries(request).let_in(_from(request), name)
    return let_in(request, token, to)


@router.post("/sign-out")
def sign_out(request: Request, desk: DeskOf) -> Response:
    """End the session."""
    token = session_token(request.headers)
    if token is not None:
        desk.end_session(token, signer(request, ""))
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(SESSION_COOKIE, path="/")
    # Not "storage": entries that wait for signal live there, of other people too. The browser's
    # worker throws the copies of pages away.
    answer.headers["Clear-Site-Data"] = '"cache"'
    return answer


def _first_form(
    request: Request, desk: Desk, token: str, told: str = "", name: str = "", status: int = 200
) -> Response:
    try:
        account = desk.behind_link(token)
    except NotLetIn:
        told = words().t(
            "This link opens nothing: it was used, is older than a day, or a newer one was made. "
            "Ask an administrator for a new one."
        )
        return _form(request, "/", told, status=410)
    answer = page(
        request,
        "first.html",
        title=words().t("Choose your password"),
        account=account,
        typed=name,
        told=told,
        status=status,
    )
    answer.headers["Cache-Control"] = "no-store"
    # The link stays out of every Referer; by "no-referrer" the form would come as from nowhere.
    answer.headers["Referrer-Policy"] = "strict-origin"
    return answer


@router.get("/first/{token}")
def first_form(request: Request, token: str, desk: DeskOf) -> Response:
    """Show the form that sets a password."""
    return _first_form(request, desk, token)


@router.post("/first/{token}")
async def first(request: Request, token: str, desk: DeskOf) -> Response:
    """Set the password and let the person in."""
    async with request.form() as form:
        name, password = str(form.get("name") or "")[:200], str(form.get("password") or "")
        again = str(form.get("again") or "")
    if not _tries(request).link(_from(request)):
        return _form(request, "/", words().t("Too many tries: wait a minute."), status=429)

    def done() -> Response:
        if password != again:
            told = words().t("The two passwords are not the same.")
            return _first_form(request, desk, token, told, name, 422)
        try:
            account = desk.use_link(token, password, name)
        except NotLetIn:
            return _first_form(request, desk, token)
        except Unfit as error:
            return _first_form(request, desk, token, str(error), name, 422)
        return let_in(request, desk.begin_session(account), "/")

    return await run_in_threadpool(done)
