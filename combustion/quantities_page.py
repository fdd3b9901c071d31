"""The page of quantities, made from the glossary.

``python -m combustion.quantities_page > docs/quantities.md``
"""

from __future__ import annotations

import sys

from combustion.quantities import LANGUAGES, QUANTITIES

_HEAD = """# Quantities

Made from the glossary (`combustion/quantities.toml`). Keys name the quantities in files, database
and API; numbers are stored and exchanged in the unit given. Values outside the plausible range are
flagged, never dropped. The trade words are what a heading may say, in English, German, French and
Spanish.

| key | meaning | unit | basis | plausible | trade words |
|---|---|---|---|---|---|"""


def page() -> str:
    """Return the page as Markdown."""
    lines = [_HEAD]
    for key, quantity in QUANTITIES.items():
        low, high = quantity.plausible
        words = [w for language in LANGUAGES for w in quantity.words.get(language, ())[:3]]
        basis = "" if quantity.basis == "none" else quantity.basis.replace("_", " ")
        lines.append(
            f"| `{key}` | {quantity.meaning} | {quantity.unit} | {basis} | {low:g} to {high:g} | "
            f"{', '.join(dict.fromkeys(words))} |"
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(page())
