"""Moments as a sender writes them: with an offset, and within what can be told in UTC."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime


def in_utc(moment: datetime) -> datetime:
    """Return a moment in UTC.

    Raises
    ------
    ValueError
        If it lies outside the years 1 to 9999 there.

    Examples
    --------
    >>> in_utc(datetime.fromisoformat("2026-03-04T09:30:00-05:00")).isoformat()
    '2026-03-04T14:30:00+00:00'
    """
    try:
        return moment.astimezone(UTC)
    except OverflowError as error:
        raise ValueError("in UTC it lies outside the years 1 to 9999") from error


InUtc = Annotated[AwareDatetime, AfterValidator(in_utc)]
