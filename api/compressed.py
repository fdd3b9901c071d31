"""Pages and what they load, compressed where the browser takes gzip.

Only answers to GET outside the API: an export streams at its own pace and a report is compressed
inside. A page that carries a secret (a one-time link, the sign-in) is left as it is: the length of
a compressed answer could give a secret away that stands beside text which somebody else chose.
"""

from __future__ import annotations

from starlette.middleware.gzip import DEFAULT_EXCLUDED_CONTENT_TYPES, GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

_PLAIN = ("/v1/", "/sign-in", "/first/")
# A low level: a page of 230 kB takes 0.7 ms and 20.5 kB, at a middle one 1.4 ms and 18.9 kB.
_LEVEL, _LEAST = 3, 1000


class Compressed:
    """Compress what the pages answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._plain = app
        self._gzip = GZipMiddleware(
            app,
            minimum_size=_LEAST,
            compresslevel=_LEVEL,
            exclude_content_types=(*DEFAULT_EXCLUDED_CONTENT_TYPES, "application/pdf"),
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        page = (
            scope["type"] == "http"
            and scope["method"] == "GET"
            and not scope["path"].startswith(_PLAIN)
        )
        await (self._gzip if page else self._plain)(scope, receive, send)
