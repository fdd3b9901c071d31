"""The audit trail: what was changed, by whom and when, and whether all is as it was written."""

from __future__ import annotations

import json
from datetime import datetime
from functools import lru_cache

from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from api.key_words import key_said
from api.pages.render import fragment, page
from api.pages.show import day
from api.routes.shared import IntakeOf
from api.words import Words, _, words
from ingest.store.audit import TrailRow, line_of
from ingest.store.subjects import Subject

router = APIRouter(prefix="/audit", include_in_schema=False)
PAGE = 100
_MOST_SHOWN = 400
_as_text = json.JSONEncoder(ensure_ascii=False).encode
_WORDS = ("why", "words", "note", "reason")


def _address(kind: str, identity: str) -> str:
    if kind == "company":
        return "/limits"
    return f"/{kind}s/{identity}" if kind in ("visit", "boiler") else ""


def _named(about: Subject | None) -> str:
    if about is None or not about.started:
        return "" if about is None else about.name
    boiler = about.name or _("Boiler not yet known")
    return f"{boiler}, {day(datetime.fromisoformat(about.started))}"


@lru_cache(maxsize=2048)
def _line(row: TrailRow, about: Subject | None, _spoken: Words) -> Markup:
    """Return a line of the page: what the book has of it says all, so it is made once."""
    line = line_of(row)
    kind, _colon, identity = str(line["subject"]).partition(":")
    text = _as_text(line["details"])
    return fragment(
        "audit_line.html",
        seq=line["seq"],
        at=str(line["at"])[:19].replace("T", " "),
        who=line["who"],
        action=key_said(str(line["action"])).replace("_", " "),
        subject=_named(about) or f"{key_said(kind)}{_colon}{identity}",
        whole=line["subject"],
        address=_address(kind, identity),
        details=text if len(text) <= _MOST_SHOWN else text[:_MOST_SHOWN] + "…",
        words=next((str(line["details"][k]) for k in _WORDS if line["details"].get(k)), ""),
        hash=line["hash"][:12],
    )


@router.get("")
def trail(request: Request, intake: IntakeOf) -> Response:
    """Show the newest lines; verify the whole book where asked."""
    before = request.query_params.get("before", "")
    last = int(before) if before.isascii() and before.isdigit() and len(before) < 15 else None
    who = request.query_params.get("who", "").strip()[:100]
    rows = intake.trail_rows(before=last, who=who, most=PAGE + 1)
    names = intake.names_of(rows)
    verified = request.query_params.get("verify") == "yes"
    return page(
        request,
        "audit.html",
        title=_("Audit trail"),
        lines=[_line(row, names.get(row.subject), words()) for row in rows[:PAGE]],
        older=rows[PAGE - 1].seq if len(rows) > PAGE else None,
        who=who,
        verified=verified,
        wrong=intake.book.verify() if verified else [],
    )
