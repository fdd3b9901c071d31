"""What is refused before any route, said on a page where a person asks for one.

A middleware knows no reader's language: it lets the page of that kind of problem say it.
"""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.types import Scope

from api.problems import ProblemError

REFUSED = "fluebook.refused"
"""Where a page finds why it is shown in place of the one that was asked for."""


def wants_page(scope: Scope) -> bool:
    """Return whether a person asks for a page, and no program for an answer or its head alone."""
    if scope["method"] == "HEAD":
        return False  # a page is made as for GET, and its body would follow
    accept = Headers(scope=scope).get("accept", "")
    return not scope["path"].startswith("/v1") and "text/html" in accept


def say_on_a_page(scope: Scope, refused: ProblemError) -> None:
    """Put the page of that kind of problem in place of what was asked for; nothing else runs."""
    scope[REFUSED] = refused
    scope["method"], scope["path"] = "GET", refused.details.type
    scope["raw_path"] = scope["path"].encode()
