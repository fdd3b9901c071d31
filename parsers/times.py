"""Dates and times as analyzers write them: settled by evidence, never by habit.

``DateReader`` looks at all date texts of a file before it reads one: 03/04/2026 is decided by a
25/04 elsewhere in the file, by the person's statement, or refused.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

_MONTHS: dict[str, int] = {}
for _number, _names in enumerate(
    (
        "january janvier enero januar jan janv ene jaen janner",
        "february fevrier febrero februar feb fevr fev",
        "march mars marzo marz mar mrz maerz",
        "april avril abril apr avr abr",
        "may mai mayo",
        "june juin junio juni jun",
        "july juillet julio juli jul juil",
        "august aout agosto aug ago",
        "september septembre septiembre sep sept set",
        "october octobre octubre oktober oct okt",
        "november novembre noviembre nov",
        "december decembre diciembre dezember dec dez dic",
    ),
    1,
):
    _MONTHS |= dict.fromkeys(_names.split(), _number)

_CLOCK = re.compile(
    r"(?P<h>\d{1,2})(?:[:hH](?P<m>\d{2})(?:[:m'](?P<s>\d{2})(?:[.,:](?P<f>\d{1,9}))?s?)?)?"
    r"\s*(?P<half>[ap]\.?\s?m\.?)?\s*(?:Uhr|hrs?|h)?",
    re.IGNORECASE,
)
_ZONE = re.compile(
    r"\s*(?P<zone>Z|(?:UTC|GMT)?\s*[+-]\d{1,2}(?::?\d{2})?|UTC|GMT|CET|CEST|MEZ|MESZ|WET|WEST|EET|EEST|"
    r"E[SD]T|C[SD]T|M[SD]T|P[SD]T)$",
)
_ABBREVIATIONS = {
    "Z": 0, "UTC": 0, "GMT": 0, "WET": 0, "WEST": 1, "CET": 1, "MEZ": 1, "CEST": 2, "MESZ": 2,
    "EET": 2, "EEST": 3, "EST": -5, "EDT": -4, "CST": -6, "CDT": -5, "MST": -7, "MDT": -6,
    "PST": -8, "PDT": -7,
}  # fmt: skip
_YMD = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})")
_COMPACT = re.compile(r"(20\d{2})(\d{2})(\d{2})")
_NUMERIC = re.compile(r"(\d{1,2})([-/.])\s?(\d{1,2})\2\s?(\d{4}|\d{2})")
_NAMED = re.compile(
    r"(\d{1,2})(?:\.|st|nd|rd|th)?[-\s/]*(?:de\s+)?([^\W\d_]{3,})\.?,?[-\s/]*(?:de\s+)?(\d{4}|\d{2})"
)
_NAMED_US = re.compile(r"([^\W\d_]{3,})\.?\s*(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})")
_WEEKDAY = re.compile(r"^[^\W\d_]{2,10}\.?,?\s+(?=[\d])")


@dataclass(frozen=True, slots=True)
class Stamp:
    """A text taken apart: date numbers in file order, clock time, offset."""

    numbers: tuple[int, int, int] | None = None
    order: str = ""
    """``ymd`` or ``dmy`` where certain, ``?`` where day and month may be exchanged."""
    clock: time | None = None
    next_day: bool = False
    offset: timedelta | None = None
    zone: str | None = None


def _plain(text: str) -> str:
    text = unicodedata.normalize("NFKD", text)
    return "".join(c for c in text if not unicodedata.combining(c)).casefold()


def _clock(text: str) -> tuple[time, bool] | None:
    match = _CLOCK.fullmatch(text.strip())
    if match is None or (match["m"] is None and match["half"] is None):
        return None
    hour, minute, second = int(match["h"]), int(match["m"] or 0), int(match["s"] or 0)
    micro = int((match["f"] or "0").ljust(6, "0")[:6])
    if match["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match["half"][0] in "pP" else 0)
    next_day = False
    if hour == 24 and minute == second == 0:
        hour, next_day = 0, True
    if hour > 23 or minute > 59 or second > 59:
        return None
    return time(hour, minute, second, micro), next_day


def offset_of(text: str) -> timedelta | None:
    """Return the UTC offset that a zone text states.

    >>> offset_of("UTC+1"), offset_of("-05:00")
    (datetime.timedelta(seconds=3600), datetime.timedelta(days=-1, seconds=68400))
    """
    text = text.strip().upper()
    if text in _ABBREVIATIONS:
        return timedelta(hours=_ABBREVIATIONS[text])
    match = re.fullmatch(r"(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?", text)
    if match is None or int(match[2]) > 14:
        return None
    size = timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
    return -size if match[1] == "-" else size


@lru_cache(maxsize=4096)
def _date(text: str) -> tuple[tuple[int, int, int], str] | None:
    text = text.strip().rstrip(",").strip()
    if match := _YMD.fullmatch(text):
        return (int(match[1]), int(match[3]), int(match[4])), "ymd"
    if match := _COMPACT.fullmatch(text):
        return (int(match[1]), int(match[2]), int(match[3])), "ymd"
    if match := _NUMERIC.fullmatch(text):
        first, second, year = int(match[1]), int(match[3]), int(match[4])
        if match[2] == "-" and len(match[4]) == 2 and first > 12 and year <= 31:
            return None  # 26-11-25 may be a year first or last; it cannot be told
        year += 2000 if len(match[4]) == 2 else 0
        # A dotted date is day first wherever it is written (common practice).
        order = "dmy" if match[2] == "." or first > 12 else "mdy" if second > 12 else "?"
        return (first, second, year), order
    if not _NAMED_US.fullmatch(text):
        text = _WEEKDAY.sub("", text)
    if match := _NAMED.fullmatch(text):
        month = _MONTHS.get(_plain(match[2]))
        if month:
            year = int(match[3]) + (2000 if len(match[3]) == 2 else 0)
            return (year, month, int(match[1])), "ymd"
    if match := _NAMED_US.fullmatch(text):
        month = _MONTHS.get(_plain(match[1]))
        if month:
            return (int(match[3]), month, int(match[2])), "ymd"
    if _NUMERIC.fullmatch(text):
        return _date(text)
    return None


@lru_cache(maxsize=4096)
def stamp(text: str) -> Stamp | None:
    """Return a date, a time, or both, taken apart; None where the text is neither.

    >>> stamp("25.11.2026 10:01").clock
    datetime.time(10, 1)
    >>> stamp("03/04/2026").order
    '?'
    """
    text = " ".join(text.split()).strip("[]\"' ")
    if not text.isascii():
        text = re.sub("[‐‑‒–—−﹣－]", "-", text)
    if not text or len(text) > 60 or not re.search(r"\d", text):
        return None
    zone = None
    offset = None
    if match := _ZONE.search(text):
        before = text[: match.start()]
        if ":" in before or re.search(r"\dT?\d{6}$|[ap]m$", before, re.IGNORECASE):
            zone, offset = match["zone"].strip(), offset_of(match["zone"])
            text = before.strip()
    whole = _date(text)
    if whole is not None:
        return Stamp(whole[0], whole[1], None, False, offset, zone)
    alone = _clock(text)
    if alone is not None:
        return Stamp(None, "", alone[0], alone[1], offset, zone)
    if match := re.fullmatch(r"(20\d{6})[T _-]?(\d{2})(\d{2})(\d{2})?", text):
        clock = _clock(f"{match[2]}:{match[3]}:{match[4] or '00'}")
        day = _date(match[1])
        if clock and day:
            return Stamp(day[0], day[1], clock[0], clock[1], offset, zone)
    for match in re.finditer(r"T|,?\s+(?:at |um |à |a las )?|[-_](?=\d{1,2}:)", text):
        day, clock = _date(text[: match.start()]), _clock(text[match.end() :])
        if day and clock:
            return Stamp(day[0], day[1], clock[0], clock[1], offset, zone)
        # "10:01:05 25.11.2026": the clock first
        clock, day = _clock(text[: match.start()]), _date(text[match.end() :])
        if day and clock:
            return Stamp(day[0], day[1], clock[0], clock[1], offset, zone)
    return None


@dataclass(slots=True)
class DateOrder:
    """Evidence about day and month over all dates of a file."""

    stated: bool | None = None
    day_first: int = 0
    month_first: int = 0
    open: list[str] = field(default_factory=list)

    def see(self, texts: Iterable[str]) -> None:
        """Take in the date texts of a column or preamble."""
        for text in texts:
            found = stamp(text)
            if found is None or found.numbers is None:
                continue
            if found.order == "?":
                if found.numbers[0] != found.numbers[1] and len(self.open) < 1000:
                    self.open.append(text)
            elif found.order == "dmy" and "." not in text[:10]:
                self.day_first += 1
            elif found.order == "mdy":
                self.month_first += 1

    @property
    def verdict(self) -> bool | None:
        """True for day first, False for month first, None where nothing decides."""
        if self.stated is not None:
            return self.stated
        if self.day_first and not self.month_first:
            return True
        if self.month_first and not self.day_first:
            return False
        return None


def day_of(found: Stamp, day_first: bool | None) -> date | None:
    """Return the date of a stamp, None where there is none or it does not exist."""
    if found.numbers is None:
        return None
    a, b, c = found.numbers
    if found.order == "ymd":
        year, month, day = a, b, c
    else:
        first = {"dmy": True, "mdy": False}.get(found.order, day_first)
        if first is None:
            if a != b:
                return None
            first = True
        day, month, year = (a, b, c) if first else (b, a, c)
    try:
        return date(year, month, day)
    except ValueError:
        return None


def zone_of(text: str | None) -> tzinfo | None:
    """Return the zone that a text names: an offset or an IANA name.

    >>> zone_of("UTC+2").utcoffset(None)
    datetime.timedelta(seconds=7200)
    """
    if not text:
        return None
    offset = offset_of(text)
    if offset is not None:
        return timezone(offset)
    name = text.strip()
    if "/" not in name and name.upper() != "UTC":
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return None


def stated_zone(text: str) -> tzinfo:
    """Return the zone that a person states: an offset such as +01:00, or an IANA name.

    Raises
    ------
    KeyError, ValueError, OSError
        If there is none of this name.
    """
    try:
        return ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        offset = offset_of(text)
        if offset is None:
            raise
        return timezone(offset)


_DURATION = re.compile(r"(?:(\d{1,4}):)?(\d{1,2}):(\d{2})(?:[.,](\d{1,6}))?")


def elapsed_seconds(text: str, seconds_per_unit: float | None) -> float | None:
    """Return seconds of an elapsed-time cell: a number in a known unit, or h:mm:ss.

    >>> elapsed_seconds("0:01:30", None), elapsed_seconds("1,5", 60.0)
    (90.0, 90.0)
    """
    text = text.strip()
    if match := _DURATION.fullmatch(text):
        hours, minutes, seconds = int(match[1] or 0), int(match[2]), int(match[3])
        return hours * 3600 + minutes * 60 + seconds + float(f"0.{match[4] or 0}")
    if seconds_per_unit is None or not re.fullmatch(r"\d+(?:[.,]\d+)?", text):
        return None
    return float(text.replace(",", ".")) * seconds_per_unit


def epoch_time(text: str) -> datetime | None:
    """Return the time of an epoch count in s, ms, us or ns, told apart by its size.

    >>> epoch_time("1795600000")
    datetime.datetime(2026, 11, 25, 9, 46, 40, tzinfo=datetime.timezone.utc)
    """
    if not re.fullmatch(r"\d{9,19}(?:[.,]\d+)?", text.strip()):
        return None
    number = float(text.strip().replace(",", "."))
    for scale in (1.0, 1e3, 1e6, 1e9):
        if 9.4e8 <= number / scale < 4.2e9:
            return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=number / scale)
    return None


FIRST_DAY, LAST_DAY = 36526, 73051
"""Spreadsheet's day counts of the years 2000 to 2099."""


def serial_time(text: str) -> datetime | None:
    """Return the time of a spreadsheet's day count from 1899-12-30, 2000 to 2100 only."""
    if not re.fullmatch(r"\d{5}(?:[.,]\d+)?", text.strip()):
        return None
    days = float(text.strip().replace(",", "."))
    if not FIRST_DAY <= days < LAST_DAY:
        return None
    seconds = round(days * 86400, 3)
    return datetime(1899, 12, 30) + timedelta(seconds=round(seconds))  # noqa: DTZ001
