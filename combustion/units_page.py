"""The page of units, made from the list that the door reads by.

``python -m combustion.units_page > docs/units.md``
"""

from __future__ import annotations

import sys

from combustion.accepted_units import accepted_units

_HEAD = """# Units

Made from the list that every door reads by (`combustion/units.py`). A number stands beside one of
these: a UCUM code as printed (codes are case-sensitive), pint's name, or a spelling of the trade,
in which case, spaces and dots do not matter. One exception: a prefix `m` is a thousandth and `M` a
million, so that `mPa` and `MPa`, `mW` and `MW` differ, and `mpa` and `mw` are refused. Any other
expression that pint knows (`gram / second`) is taken too. Numbers are stored and answered in the
canonical unit of their quantity (see [quantities](quantities.md)).

| pint | UCUM | spellings | stored as |
|---|---|---|---|"""


def _code(text: str) -> str:
    return f"`{text}`"


def page() -> str:
    """Return the page as Markdown."""
    lines = [_HEAD]
    for unit in accepted_units():
        ucum = "" if unit.ucum is None else _code(unit.ucum)
        spellings = " ".join(_code(s) for s in unit.spellings)
        stored = ", ".join(unit.converts_to)
        lines.append(f"| {_code(unit.name)} | {ucum} | {spellings} | {stored} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(page())
