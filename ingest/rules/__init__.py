"""The rules, one small file per family; every key that a flag may carry is in ``RULES``."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ingest.rules.families import FAMILIES
from ingest.rules.families import RULES as READING_RULES
from ingest.rules.model import Rule

# After the families: the service rules are written with ``ingest.rules.model``.
from ingest.service.rules.judge import SERVICE_RULES

RULES: Mapping[str, Rule] = MappingProxyType({**READING_RULES, **SERVICE_RULES})
"""The closed list of rules by key: of the readings, then of the service part."""

__all__ = ["FAMILIES", "READING_RULES", "RULES", "Rule"]
