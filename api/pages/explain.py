"""Every quantity and every rule explained in place, from the glossary and the rules' own texts."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from api.pages.render import page
from combustion.quantities import QUANTITIES
from ingest.rules import RULES

router = APIRouter(prefix="/help", include_in_schema=False)


@router.get("")
def index(request: Request) -> Response:
    """List all quantities and rules."""
    return page(
        request,
        "help.html",
        title="What the words mean",
        quantities=list(QUANTITIES.values()),
        rules=list(RULES.values()),
    )


@router.get("/quantities/{key}")
def quantity(request: Request, key: str) -> Response:
    """Explain one quantity."""
    found = QUANTITIES.get(key)
    if found is None:
        return _unknown(request)
    return page(request, "help.html", title=found.label, quantity=found)


@router.get("/rules/{key}")
def rule(request: Request, key: str) -> Response:
    """Explain one rule."""
    found = RULES.get(key)
    if found is None:
        return _unknown(request)
    return page(request, "help.html", title=found.title, rule=found)


def _unknown(request: Request) -> Response:
    return page(
        request,
        "problem.html",
        title="Not found",
        status=404,
        heading="No such word",
        detail="The glossary and the list of rules have no such key.",
    )
