"""All families in the order in which they are judged, and all rules by key."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from ingest.rules import (
    analyzer,
    assumed,
    co,
    condensation,
    copies,
    firing,
    gas_balance,
    impossible,
    oxygen,
    passes,
    plain,
    room,
    seasons,
    stack,
    timing,
)
from ingest.rules.model import Rule
from ingest.rules.view import View

_MODULES = (
    room,
    co,
    oxygen,
    stack,
    impossible,
    condensation,
    gas_balance,
    analyzer,
    firing,
    timing,
    copies,
    passes,
    seasons,
    plain,
    assumed,
)

FAMILIES: tuple[Callable[[View], None], ...] = tuple(m.judge for m in _MODULES)
"""Each family's judge; none raises, none changes a reading."""

RULES: Mapping[str, Rule] = MappingProxyType({r.key: r for m in _MODULES for r in m.RULES})
"""The closed list of rules by key."""
