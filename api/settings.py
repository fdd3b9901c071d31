"""Settings of a running fluebook: each with a default, each settable by environment."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

UnitSystem = Literal["us", "si"]

MEGABYTE = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Settings:
    """What the office decides about its own fluebook.

    Attributes
    ----------
    units : UnitSystem
        Units of the pages: US customary or SI. ``FLUEBOOK_UNITS``.
    max_upload : int
        Bytes of one uploaded file; more is refused with 413. ``FLUEBOOK_MAX_UPLOAD_MB``.
    page_size : int
        Visits on one page of the review list. ``FLUEBOOK_PAGE_SIZE``.
    company : str
        Name shown at the head of the pages. ``FLUEBOOK_COMPANY``.
    hosts : tuple of str
        Names under which this fluebook answers, any where empty. ``FLUEBOOK_HOSTS``, with commas.
    language : str
        Language of the pages for a browser that asks for none they have. ``FLUEBOOK_LANGUAGE``.
    """

    units: UnitSystem = "us"
    max_upload: int = 64 * MEGABYTE
    page_size: int = 40
    company: str = ""
    hosts: tuple[str, ...] = ()
    language: str = "en"


def settings_from_environment(environment: Mapping[str, str] = os.environ) -> Settings:
    """Return the settings that the environment asks for.

    Raises
    ------
    ValueError
        If a variable holds something that its setting cannot be.

    Examples
    --------
    >>> settings_from_environment({"FLUEBOOK_UNITS": "si"}).units
    'si'
    """
    units = environment.get("FLUEBOOK_UNITS", "us").lower()
    if units not in ("us", "si"):
        raise ValueError(f"FLUEBOOK_UNITS is {units!r}; it can be us or si")
    return Settings(
        units=cast(UnitSystem, units),
        max_upload=_whole(environment, "FLUEBOOK_MAX_UPLOAD_MB", 64) * MEGABYTE,
        page_size=_whole(environment, "FLUEBOOK_PAGE_SIZE", 40),
        company=environment.get("FLUEBOOK_COMPANY", ""),
        hosts=tuple(
            h.strip() for h in environment.get("FLUEBOOK_HOSTS", "").split(",") if h.strip()
        ),
        language=environment.get("FLUEBOOK_LANGUAGE", "en"),
    )


def _whole(environment: Mapping[str, str], name: str, default: int) -> int:
    text = environment.get(name, str(default))
    if not text.isdigit() or int(text) < 1:
        raise ValueError(f"{name} is {text!r}; it must be a whole number above zero")
    return int(text)
