"""Reads the fields of the service form one by one: text, numbers, times, who signs, rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from api.pages.numbers import typed_number
from api.words import _

Entries = Mapping[str, str]
ON = "on"
_MINUTE = "%Y-%m-%dT%H:%M"


def number_text(value: float) -> str:
    """Return a number as a field shows it."""
    return f"{value:.10g}"


def local_text(moment: datetime | None, zone: tzinfo) -> str:
    """Return a moment as a field for date and time shows it."""
    return "" if moment is None else moment.astimezone(zone).strftime(_MINUTE)


@dataclass
class Reader:
    """Takes fields one by one; what cannot be understood goes to ``wrong``."""

    entries: Entries
    who: str
    now: datetime
    zone: tzinfo
    wrong: dict[str, str] = field(default_factory=dict)

    def text(self, name: str) -> str | None:
        """Return what is written in a field, None where it is empty."""
        return self.entries.get(name, "").replace("\r\n", "\n").strip() or None

    def number(self, name: str) -> float | None:
        """Return a number, with a point or a comma; what is none goes to ``wrong``."""
        text = self.text(name)
        if text is None:
            return None
        try:
            return typed_number(text)
        except ValueError:
            self.wrong[name] = _("{text} is no number", text=repr(text))
            return None

    def time(self, name: str, before: datetime | None) -> datetime:
        """Return a moment; the one before where the field shows it, now where it is empty."""
        text = self.text(name)
        if text is None:
            return before or self.now
        if before is not None and text == local_text(before, self.zone):
            return before
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            self.wrong[name] = _("{text} is no date and time", text=repr(text))
            return before or self.now
        return moment if moment.tzinfo is not None else moment.replace(tzinfo=self.zone)

    def signed(self, name: str, before: Mapping[str, Any] | None) -> dict[str, Any]:
        """Return who and when: kept where it was signed before."""
        at = None if before is None else before["time"]
        return {"by": self.who if before is None else before["by"], "time": self.time(name, at)}

    def rows(self, kind: str, key: str) -> list[int]:
        """Return the numbers of the rows whose leading field is filled."""
        found = {n.split(".")[1] for n in self.entries if n.startswith(f"{kind}.")}
        return [
            n
            for n in sorted(int(n) for n in found if n.isdigit())
            if self.text(f"{kind}.{n}.{key}")
        ]

    def yes_no(self, name: str) -> bool | None:
        """Return an answer, None where there is none."""
        return {"yes": True, "no": False}.get(self.text(name) or "")
