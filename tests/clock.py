"""A clock that is set by hand."""

from __future__ import annotations

from datetime import UTC, datetime

START = datetime(2026, 11, 3, 9, tzinfo=UTC)


class HandClock:
    """Tells the same moment until it is set to another."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> datetime:
        return self.now
