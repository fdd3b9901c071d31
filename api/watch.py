"""What a running fluebook tells of itself: one line for each request, and figures to be fetched.

Lines are JSON on standard error, each with the request's id, which the answer carries too. They
name the kind of address, never what stood in it that could open something: no token, no key, no
cookie, no body, no query.
"""

from __future__ import annotations

import logging
import re
import secrets
import sys
import time
from typing import Any

import structlog
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.doorkeeper import PRINCIPAL
from api.permissions import permissions_at

REQUEST_ID = "x-request-id"
_ID = re.compile(r"[A-Za-z0-9_-]{8,64}")
_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE"})
_SECRET_PARTS = ("{token}",)
_SECRET_NAME = re.compile(r"password|secret|token|cookie|authoriz", re.I)
log = structlog.get_logger("fluebook")


class Figures:
    """Counters of one running application."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "fluebook_requests",
            "Requests answered.",
            ("method", "route", "status"),
            registry=self.registry,
        )
        self.seconds = Histogram(
            "fluebook_request_seconds",
            "Time until a request was answered.",
            ("method", "route"),
            buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30),
            registry=self.registry,
        )
        self.visits = Gauge(
            "fluebook_visits", "Visits in the book.", ("state",), registry=self.registry
        )
        self.waiting = Gauge(
            "fluebook_flagged_visits",
            "Handed-in visits by their worst finding.",
            ("severity",),
            registry=self.registry,
        )


class Watch:
    """Gives each request its id, counts it, and writes its line."""

    def __init__(self, app: ASGIApp, *, figures: Figures) -> None:
        self.app = app
        self.figures = figures
        self._log = log.bind()  # once, not with each line

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = time.perf_counter()
        given = Headers(scope=scope).get(REQUEST_ID, "")
        identity = given if _ID.fullmatch(given) else secrets.token_hex(8)
        route = _route(scope)  # before anyone changes the scope
        status = 500

        async def watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)[REQUEST_ID] = identity
            await send(message)

        with structlog.contextvars.bound_contextvars(request=identity):
            try:
                await self.app(scope, receive, watched)
            finally:
                took = time.perf_counter() - begun
                method = scope["method"] if route and scope["method"] in _METHODS else "other"
                self.figures.requests.labels(method, route, str(status)).inc()
                self.figures.seconds.labels(method, route).observe(took)
                who = scope.get(PRINCIPAL)
                self._log.info(
                    "request",
                    method=scope["method"],
                    route=route or "unknown",
                    path=_path(scope["path"], route),
                    status=status,
                    ms=round(took * 1000, 1),
                    who=None if who is None else f"{who.kind}:{who.id or ''}",
                )


def _route(scope: Scope) -> str:
    """Return the kind of address: labels stay few whatever is asked for."""
    path = scope["path"]
    if path.startswith("/static/"):
        return "/static/*"
    there = permissions_at(path)
    return next(iter(there.values())).path if there else ""


def _path(path: str, route: str) -> str | None:
    hidden = not route or any(part in route for part in _SECRET_PARTS)
    return None if hidden else path[:300]


def _no_secrets(_: Any, __: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
    """Drop what must not be written, whoever passed it along."""
    for name in [n for n in event if _SECRET_NAME.search(n)]:
        event[name] = "not written"
    return event


_SHARED: list[structlog.typing.Processor] = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_logger_name,
    structlog.stdlib.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
    structlog.processors.format_exc_info,
    _no_secrets,
]
# Lines go the way of the standard library's, which says nothing until it is told where to.
structlog.configure(
    processors=[
        structlog.stdlib.filter_by_level,
        *_SHARED,
        structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
    ],
    logger_factory=structlog.stdlib.LoggerFactory(),
    wrapper_class=structlog.stdlib.BoundLogger,
)


def write_lines(level: str = "info") -> None:
    """Write the program's own and its libraries' messages as JSON lines on standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=_SHARED,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
