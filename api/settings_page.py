"""``python -m api.settings_page > docs/settings.md``: the one table of settings."""

from __future__ import annotations

import inspect
import re
from dataclasses import fields

from api.settings import Settings

_HEAD = """\
# Settings

Made by `python -m api.settings_page` from `api/settings.py`. Each is read from the environment when
fluebook starts; what cannot be is refused with the name of the variable.

| variable | default | meaning |
|---|---|---|
"""
_ENTRY = re.compile(r"^(\w+) : [^\n]+\n((?:    .*\n?|\n)+)", re.MULTILINE)
_NAME = re.compile(r"``(FLUEBOOK_[A-Z_]+)``(?:, ([^.]+))?\.?")


def entries() -> list[tuple[str, str, str]]:
    """Return variable, default and meaning of every setting that the environment sets."""
    defaults = {f.name: f.default for f in fields(Settings)}
    attributes = inspect.getdoc(Settings) or ""
    found = []
    for name, text in _ENTRY.findall(attributes.partition("----------\n")[2] + "\n"):
        words = " ".join(text.split())
        variable = _NAME.search(words)
        if variable is None:
            continue
        meaning = _NAME.sub("", words).strip()
        if variable[2]:
            meaning += f" Written as: {variable[2].strip()}."
        default = defaults[name]
        if variable[1].endswith("_MB") and isinstance(default, int):
            default //= 1024 * 1024
        if isinstance(default, bool):
            default = "yes" if default else "no"
        found.append((variable[1], str(default) if default not in ("", ()) else "", meaning))
    return found


def settings_page() -> str:
    """Return the page."""
    rows = [f"| `{name}` | {default} | {meaning} |" for name, default, meaning in entries()]
    return _HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    import sys

    sys.stdout.write(settings_page())
