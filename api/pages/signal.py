"""What pages need without signal: the browser's worker, and a page for what has no copy."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from fastapi import APIRouter, Request, Response

from api.pages.render import page
from api.words import _

router = APIRouter(include_in_schema=False)
_WORKER = "worker.js"


def _below(folder: Traversable, path: str) -> list[tuple[str, bytes]]:
    found = []
    for one in sorted(folder.iterdir(), key=lambda f: f.name):
        here = f"{path}/{one.name}"
        found += _below(one, here) if one.is_dir() else [(here, one.read_bytes())]
    return found


@cache
def _worker() -> str:
    """Return the worker with the list of what the pages are drawn with, and its fingerprint."""
    folder = files("api") / "static"
    drawn = [(path, data) for path, data in _below(folder, "/static") if not path.endswith(_WORKER)]
    source = (folder / _WORKER).read_text("utf-8")
    digest = hashlib.sha256(source.encode())
    for path, data in drawn:
        digest.update(path.encode() + b"\0" + data)
    known = f"const VERSION = {json.dumps(digest.hexdigest()[:16])};\n"
    return f"{known}const ASSETS = {json.dumps([path for path, _data in drawn])};\n{source}"


@router.get("/worker.js")
def worker() -> Response:
    """Return the script that keeps pages for when there is no signal."""
    return Response(_worker(), media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/no-signal")
def no_signal(request: Request, asked: str = "") -> Response:
    """Say that there is no signal and no copy of the page asked for, or that nothing was sent."""
    if asked == "send":
        return page(
            request,
            "problem.html",
            title=_("No signal"),
            heading=_("No signal: nothing was sent"),
            detail=_(
                "What you asked for was not done. Go back, and ask for it again once there is "
                "signal. What waits on this device is still kept on it."
            ),
        )
    return page(
        request,
        "problem.html",
        title=_("No signal"),
        heading=_("No signal, and no copy of this page here"),
        detail=_(
            "Pages that were opened on this device while there was signal can be read and filled. "
            "What was entered on this device is kept on it and goes up by itself."
        ),
    )
