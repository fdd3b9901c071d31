"""The report as PDF, through typst: tagged, searchable, the same bytes for the same input.

User text goes in as JSON data and stays text: nothing of it is ever read as markup. Fonts come
from this package alone, and a character that they lack becomes a sign; a warning of the typesetter
(a missing font, most of all) is an error.
"""

from __future__ import annotations

import json
import tempfile
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst

from api.plain_text import with_glyphs
from api.report.content import Content, content
from api.report.given import ReportInput, ReportOptions

_HERE = Path(str(files(__package__)))
_FONTS = _HERE / "fonts"
_PAPER = {"a4": "a4", "us-letter": "us-letter"}


class ReportNotSet(RuntimeError):
    """The typesetter refused or warned: no report rather than a doubtful one."""


@lru_cache(maxsize=1)
def _fonts() -> Any:
    return typst.Fonts(include_system_fonts=False, font_paths=[str(_FONTS)])


@lru_cache(maxsize=1)
def _template() -> bytes:
    return (_HERE / "report.typ").read_bytes()


def report_pdf(
    given: ReportInput, options: ReportOptions | None = None, *, signed: bytes | None = None
) -> bytes:
    """Return the report as PDF/UA-1.

    Parameters
    ----------
    given : ReportInput
        What it says.
    options : ReportOptions or None
        Paper, units, language.
    signed : bytes or None
        The content as it was kept when it was signed; made anew if absent.

    Raises
    ------
    ReportNotSet
        If the typesetter refuses or warns.
    """
    ready = content(given, options or ReportOptions(), signed=signed)
    stamp = int(given.made.timestamp())
    if not given.photos:
        return _set(ready, stamp, None)
    with tempfile.TemporaryDirectory(prefix="report-") as folder:
        for n, photo in enumerate(given.photos):
            (Path(folder) / f"photo-{n}").write_bytes(photo.data)
        return _set(ready, stamp, folder)


def _short(name: str, room: int = 60) -> str:
    """Return a name that fits one line at the head of a page.

    >>> _short("Boiler 2"), len(_short("x" * 200))
    ('Boiler 2', 60)
    """
    return name if len(name) <= room else name[: room - 1].rstrip() + "…"


def _set(ready: Content, stamp: int, root: str | None) -> bytes:
    data = {
        "title": ready.title,
        "subtitle": ready.subtitle,
        "boiler": ready.boiler,
        "running": _short(ready.boiler),
        "footer": ready.footer,
        "page_of": ready.page_of,
        "language": ready.language,
        "paper": _PAPER[ready.paper],
        "blocks": ready.blocks,
    }
    try:
        made, warnings = typst.compile_with_warnings(
            _template(),
            root=root,
            font_paths=_fonts(),
            sys_inputs={"data": json.dumps(with_glyphs(data, _FONTS), ensure_ascii=False)},
            timestamp=stamp,
            pdf_standards=["ua-1"],
        )
    except typst.TypstError as error:
        raise ReportNotSet(str(error)) from error
    if warnings:
        raise ReportNotSet("; ".join(str(w) for w in warnings))
    return bytes(made)
