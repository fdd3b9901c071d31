"""Every quantity and every rule explained in place, from the glossary and the rules' own texts."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

from fastapi import APIRouter, Request, Response

from api.cautions import caution
from api.locales.rule_texts import RULE_TEXTS
from api.pages.facts import in_words
from api.pages.render import page, shown_for
from api.pages.show import Shown
from api.pages.unit_text import in_units, with_signs
from api.words import Words, _, words
from combustion.quantities import QUANTITIES, Quantity
from ingest.rules import RULES, Rule

router = APIRouter(prefix="/help", include_in_schema=False)


@router.get("")
def index(request: Request) -> Response:
    """List all quantities and rules."""
    quantities, rules = _all(shown_for(request), words())
    return page(
        request,
        "help.html",
        title=_("What the words mean"),
        quantities=quantities,
        rules=rules,
    )


@lru_cache(maxsize=32)
def _all(shown: Shown, _spoken: Words) -> tuple[list[Quantity], list[Rule]]:
    """Return all quantities and rules in a reader's words; neither changes while we run."""
    return (
        [_quantity(q) for q in QUANTITIES.values()],
        [explained(r, shown) for r in RULES.values()],
    )


@router.get("/quantities/{key}")
def quantity(request: Request, key: str) -> Response:
    """Explain one quantity."""
    found = QUANTITIES.get(key)
    if found is None:
        return _unknown(request)
    said = _quantity(found)
    return page(request, "help.html", title=said.label, quantity=said)


@router.get("/rules/{key}")
def rule(request: Request, key: str) -> Response:
    """Explain one rule."""
    found = RULES.get(key)
    if found is None:
        return _unknown(request)
    said = explained(found, shown_for(request))
    return page(request, "help.html", title=said.title, rule=said)


def _quantity(found: Quantity) -> Quantity:
    """Return a quantity with its texts in the reader's language."""
    return replace(found, label=_(found.label), meaning=with_signs(_(found.meaning)))


def explained(found: Rule, shown: Shown) -> Rule:
    """Return a rule with its texts in the reader's language; safety keeps its English beside."""
    said: dict[str, Any] = {f: _(getattr(found, f)) for f in RULE_TEXTS if getattr(found, f)}
    if found.safety:
        said["next_step"] = caution(found.next_step)
    said = {field: in_words(with_signs(in_units(text, shown))) for field, text in said.items()}
    return replace(found, **said)


def _unknown(request: Request) -> Response:
    return page(
        request,
        "problem.html",
        title=_("Not found"),
        status=404,
        heading=_("No such word"),
        detail=_("The glossary and the list of rules have no such key."),
    )
