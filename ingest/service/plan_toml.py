"""A plan written as TOML again, the form in which an office keeps and changes it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from ingest.service.plans import Plan

_TABLES = ("task", "test", "part")


def plan_toml(plan: Plan) -> str:
    """Return a plan as a file that ``parse_plan`` reads to the same plan.

    Parameters
    ----------
    plan : Plan
        As the book holds it: what it includes is written out, and its ``includes`` stay named.
    """
    data = plan.model_dump(mode="json", exclude_none=True, exclude_unset=False)
    lines = [
        f"{key} = {_value(value)}"
        for key, value in data.items()
        if key not in (*_TABLES, "light_off") and value != []
    ]
    # An empty list that the plan states is not the same as none: it takes nothing from another.
    lines += [f"{key} = []" for key in ("isolation", "steps") if not data.get(key)]
    if data.get("light_off"):
        lines += ["", "[light_off]"]
        lines += [f"{key} = {_value(value)}" for key, value in data["light_off"].items()]
    for name in _TABLES:
        for row in data.get(name, []):
            lines += ["", f"[[{name}]]"]
            lines += [f"{key} = {_value(value)}" for key, value in row.items() if value != []]
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A JSON string is a TOML basic string, but for one control character.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        if value and isinstance(value[0], Mapping):
            return "[\n" + "".join(f"  {_value(v)},\n" for v in value) + "]"
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return repr(value)
