"""Stands before every address: who is asking, whether they may, and how often they do.

Written as plain ASGI and asked before a body is read. What has no line in ``api.permissions`` is
answered as not there, so a new address is closed until somebody says who it is for.
"""

from __future__ import annotations

import math
import time
from contextlib import suppress
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import quote

from fastapi import HTTPException
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.datastructures import Headers
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.accounts import ALONE, Desk, Principal
from api.accounts.tries import place_of
from api.guards import SAFE_METHODS
from api.on_a_page import say_on_a_page, wants_page
from api.permissions import OPEN_FOLDERS, Permission, parameters, permissions_at
from api.problems import ErrorItem, ProblemError, respond
from ingest.store.reach import Reach, within

SESSION_COOKIE = "fluebook-session"
PRINCIPAL = "fluebook.principal"
_LONGEST_TOKEN = 200
_ASKED_EVERY_S = 1.0
_ENDED = "This key or session ended before the request did."
_CLOSED = "/nothing-here"
"""An address that no route has: the application answers it as not there."""


class LetInNoLonger(HTTPException):
    """Who sends a body was let in when it began, and is no longer.

    An HTTPException, as the framework answers any other one with 400 while it reads a body.
    """

    def __init__(self) -> None:
        super().__init__(401, _ENDED)


class Doorkeeper:
    """Lets in whoever may come in, as far as they may.

    Parameters
    ----------
    desk : Desk
        Knows accounts, sessions and keys.
    alone : bool
        The machine serves only whoever sits at it: nobody signs in.
    rate : int
        Requests a minute of one account, key or address; 0 for no limit.
    """

    def __init__(self, app: ASGIApp, *, desk: Desk, alone: bool, rate: int) -> None:
        self.app = app
        self.desk = desk
        self.alone = alone
        self._rate = RateLimitItemPerMinute(rate) if rate else None
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"].startswith(OPEN_FOLDERS):
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        principal, refused = self._who(scope, headers)
        scope[PRINCIPAL] = principal
        answer = self._answer(scope, headers, principal, refused)
        if answer is not None:
            await answer(scope, receive, send)
            return
        sites = None if principal is None else principal.sites
        reach = None if sites is None else Reach(sites, principal.owner if principal else "")
        with within(reach):
            if principal is None or self.alone:
                await self.app(scope, receive, send)
            else:
                await self._while_let_in(principal, scope, receive, send)

    async def _while_let_in(
        self, principal: Principal, scope: Scope, receive: Receive, send: Send
    ) -> None:
        """Answer, and ask again where a body or an answer takes its time.

        A key that is revoked, or an account that is closed, while a body still comes opens nothing
        when it is whole; what is still to be read of an answer is not sent.
        """
        headers = Headers(scope=scope)
        asked = time.monotonic()
        let_in, started = True, False

        def still() -> bool:
            nonlocal asked, let_in
            if let_in and time.monotonic() - asked > _ASKED_EVERY_S:
                asked = time.monotonic()
                now, _ = self._who(scope, headers)
                let_in = now is not None and now.may_as_much_as(principal)
            return let_in

        async def receive_while() -> Message:
            message = await receive()
            if message["type"] == "http.request" and not still():
                raise LetInNoLonger
            return message

        async def send_while(message: Message) -> None:
            nonlocal started
            if scope["method"] in SAFE_METHODS and not still():
                return  # whoever sends ends in good order; the connection is closed after it
            started = True
            await send(message)

        with suppress(LetInNoLonger):
            await self.app(scope, receive_while, send_while)
        if not let_in and not started:
            await respond(_not_signed_in(_ENDED))(scope, receive, send)

    def _who(self, scope: Scope, headers: Headers) -> tuple[Principal | None, ProblemError | None]:
        if self.alone:
            return ALONE, None
        scheme, _, secret = headers.get("authorization", "").partition(" ")
        if scheme:
            known = None
            if scheme.lower() == "bearer" and len(secret) <= _LONGEST_TOKEN:
                known = self.desk.by_secret(secret.strip())
            if known is None:
                return None, _not_signed_in("This key opens nothing: unknown, ended or revoked.")
            return known, None
        token = session_token(headers)
        person = None if token is None else self.desk.by_session(token)
        # A browser says with every form where it was sent from; the guard has compared it.
        said = "sec-fetch-site" in headers or "origin" in headers
        if person is not None and scope["method"] not in SAFE_METHODS and not said:
            detail = "A signed-in browser sends with a form where it comes from."
            return None, ProblemError("not-from-here", detail)
        return person, None

    def _answer(
        self,
        scope: Scope,
        headers: Headers,
        principal: Principal | None,
        refused: ProblemError | None,
    ) -> Response | None:
        path = scope["path"]
        page = wants_page(scope)
        wait = self._wait(scope, principal)
        if wait is not None:
            again = {"Retry-After": str(wait)}
            problem = ProblemError("too-often", f"Try again in {wait} s.", headers=again)
            if page:
                say_on_a_page(scope, problem)
                return None
            return respond(problem)
        there = permissions_at(path)
        method = "GET" if scope["method"] == "HEAD" else scope["method"]
        permission = there.get(method)
        if permission is not None and permission.anyone:
            return None
        if principal is None:
            if page and method == "GET":
                return RedirectResponse(f"/sign-in?to={quote(_back(scope))}", status_code=303)
            problem = refused or _not_signed_in("Sign in, or send a key as a bearer token.")
            challenge = {} if page else {"WWW-Authenticate": 'Bearer realm="fluebook"'}
            return respond(problem, challenge if problem.details.status == 401 else {})
        if permission is None:
            # Known under another method: the application says which. Else the address is closed.
            if not there:
                scope["path"], scope["raw_path"] = _CLOSED, _CLOSED.encode()
            return None
        problem_or_none = self._may(principal, permission, path)
        if problem_or_none is not None and page:
            say_on_a_page(scope, problem_or_none)
            return None
        return None if problem_or_none is None else respond(problem_or_none)

    def _may(self, principal: Principal, permission: Permission, path: str) -> ProblemError | None:
        if principal.role not in permission.roles:
            return _not_allowed(f"This is not for the role {principal.role}.")
        if permission.scope not in principal.scopes:
            return _not_allowed(f"The key lacks the scope {permission.scope}.")
        if permission.own and principal.role == "technician" and principal.kind != "alone":
            visit_id = parameters(permission, path).get("visit_id", "")
            if not self.desk.is_own(principal, visit_id):
                return _not_allowed(
                    "A technician changes visits that they opened or that name them."
                )
        return None

    def _wait(self, scope: Scope, principal: Principal | None) -> int | None:
        """Return after how many seconds the sender may ask again, None where it may now."""
        if self._rate is None or (principal is not None and principal.kind == "alone"):
            return None
        client = scope.get("client") or ("", 0)
        sender = f"at {place_of(client[0])}" if principal is None else str(principal.id)
        if self._limiter.hit(self._rate, sender):
            return None
        reset = self._limiter.get_window_stats(self._rate, sender).reset_time
        return max(1, math.ceil(reset - time.time()))


def session_token(headers: Headers) -> str | None:
    """Return the session's token of a browser, None where it sent none."""
    cookies: SimpleCookie = SimpleCookie()
    try:
        cookies.load(headers.get("cookie", ""))
    except CookieError:
        return None
    found = cookies.get(SESSION_COOKIE)
    return None if found is None or len(found.value) > _LONGEST_TOKEN else found.value


def principal_of(scope: Any) -> Principal:
    """Return who is asking; only behind the doorkeeper."""
    found = scope.get(PRINCIPAL)
    if not isinstance(found, Principal):
        raise ProblemError("not-signed-in", "Nobody is signed in.")
    return found


def may_review(scope: Any) -> bool:
    """Return whether who is asking decides about visits."""
    return principal_of(scope).role in ("reviewer", "administrator")


def _back(scope: Scope) -> str:
    query = scope.get("query_string", b"").decode("latin-1")
    return str(scope["path"]) + (f"?{query}" if query else "")


def _not_signed_in(detail: str) -> ProblemError:
    step = "Open /sign-in, or ask an administrator for a key."
    return ProblemError("not-signed-in", detail, [ErrorItem(message=detail, next_step=step)])


def _not_allowed(detail: str) -> ProblemError:
    step = "Ask an administrator if you need it."
    return ProblemError("not-allowed", detail, [ErrorItem(message=detail, next_step=step)])
