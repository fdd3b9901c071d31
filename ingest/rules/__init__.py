"""The rules, one small file per family; every key that a flag may carry is in ``RULES``."""

from __future__ import annotations

from ingest.rules.families import FAMILIES, RULES
from ingest.rules.model import Rule

__all__ = ["FAMILIES", "RULES", "Rule"]
