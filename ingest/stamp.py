"""Moments that follow each other closely as ISO texts, in few steps."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_SECOND = timedelta(seconds=1)


class Stamps:
    """ISO texts of moments: what holds for a whole second is written once for it.

    Written piece by piece as the standard library does it, one text costs a program that was just
    woken as much as a read of the port.

    Examples
    --------
    >>> stamp = Stamps()
    >>> stamp(datetime(2026, 3, 4, 9, 30, 0, 250_000, tzinfo=UTC))
    '2026-03-04T09:30:00.250000+00:00'
    """

    def __init__(self) -> None:
        self._begin = self._end = datetime.min.replace(tzinfo=UTC)
        self._form = ""
        self._last: datetime | None = None
        self._text = ""

    def __call__(self, moment: datetime) -> str:
        """Return the text that ``isoformat`` gives."""
        if moment is self._last:
            return self._text
        micro = moment.microsecond
        if moment.tzinfo is not UTC or not micro:
            return moment.isoformat()
        if not self._begin <= moment < self._end:
            self._begin = moment.replace(microsecond=0)
            self._end = self._begin + _SECOND
            self._form = self._begin.isoformat().replace("+00:00", ".%06d+00:00")
        self._last, self._text = moment, self._form % micro
        return self._text


stamp = Stamps()
"""One for all: what is kept and what is shown of one chunk bear the same moment."""
