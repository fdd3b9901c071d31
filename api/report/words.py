"""Words of the report through gettext, dates through Babel; English where no catalogue stands.

``pybabel extract -k t api/report`` makes the template of a translation; a compiled catalogue goes
to ``api/report/locale/<language>/LC_MESSAGES/report.mo``.
"""

from __future__ import annotations

import gettext
from datetime import date, datetime
from pathlib import Path

from babel.dates import format_date

_LOCALE = Path(__file__).with_name("locale")


class Words:
    """Translated text, dates and times in one language."""

    def __init__(self, language: str = "en", *, folder: Path = _LOCALE) -> None:
        self.language = language
        self._catalogue = gettext.translation(
            "report", str(folder), languages=[language], fallback=True
        )

    def t(self, text: str, /, **given: object) -> str:
        """Return a text in the language, with what stands in its braces filled in.

        >>> Words().t("{n} of {total}", n=2, total=3)
        '2 of 3'
        """
        said = self._catalogue.gettext(text)
        return said.format(**given) if given else said

    def n(self, one: str, many: str, number: int) -> str:
        """Return the form for a number, with ``{n}`` filled in."""
        return self._catalogue.ngettext(one, many, number).format(n=number)

    def day(self, when: date | None) -> str:
        """Return a date without ambiguity; an en dash where there is none."""
        if when is None:
            return "–"
        # English "medium" puts the month first, which half of the readers take for the day.
        pattern = "d MMM y" if self.language.startswith("en") else "medium"
        return format_date(when, pattern, locale=self.language)

    def time(self, when: datetime | None) -> str:
        """Return date, time and offset."""
        if when is None:
            return "–"
        offset = when.strftime("%z")
        zone = f" UTC{offset[:3]}:{offset[3:5]}" if offset else ""
        return f"{self.day(when.date())}, {when:%H:%M}{zone}"
