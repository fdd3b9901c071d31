"""Which fields of a rule are texts that are read, and so said in the reader's language."""

from __future__ import annotations

from dataclasses import fields

from ingest.rules import Rule

_OTHERWISE = {"key", "status", "limits", "safety"}
RULE_TEXTS = tuple(field.name for field in fields(Rule) if field.name not in _OTHERWISE)
