"""What a client of the tests demands of every answer under /v1: that the document lists it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

from fastapi import FastAPI

from api.permissions import permissions_at

_documents: dict[str, Any] = {}


@cache
def listed(method: str, path: str) -> frozenset[str]:
    """Return the statuses of an operation; empty where the document has no such operation."""
    operation = _documents["one"]["paths"].get(path, {}).get(method.lower(), {})
    return frozenset(operation.get("responses", {}))


def looks_at(app: FastAPI) -> Callable[[Any], None]:
    """Return a hook that refuses an answer whose status the operation does not list."""

    def look(answer: Any) -> None:
        method, path = answer.request.method, answer.request.url.path
        there = permissions_at(path).get(method) if path.startswith("/v1/") else None
        if there is None or answer.status_code == 500:
            return
        if "one" not in _documents:  # the same for every application: made once
            _documents["one"] = app.openapi()
        known = listed(method, there.path)
        assert not known or str(answer.status_code) in known, (
            f"{method} {there.path} answered {answer.status_code}, which its document lacks"
        )

    return look
