"""The report as HTML: the same blocks as the PDF, on a page of its own or inside another."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, select_autoescape
from markupsafe import Markup

from api.plain_text import shown
from api.report.content import content
from api.report.given import Photo, ReportInput, ReportOptions
from api.words import words_of
from ingest.intake_service import picture_type

_templates = Environment(
    loader=PackageLoader("api.report", "templates"),
    autoescape=select_autoescape(["html"]),
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
    finalize=shown,
)


@lru_cache(maxsize=1)
def stylesheet() -> str:
    """Return the report's own stylesheet."""
    return files("api").joinpath("static", "report.css").read_text(encoding="utf-8")


def report_html(
    given: ReportInput,
    options: ReportOptions | None = None,
    *,
    stylesheet_at: str | None = None,
    photos_at: str | None = None,
    ways: Sequence[tuple[str, str]] = (),
    signed_at: Mapping[str, str] | None = None,
) -> str:
    """Return the report as one HTML document.

    Parameters
    ----------
    given : ReportInput
        What it says.
    options : ReportOptions or None
        Units and language; the paper is the printer's.
    stylesheet_at : str or None
        Address of the stylesheet, for a page under a strict content policy; None puts it inside,
        so that the file stands alone.
    photos_at : str or None
        Address before a picture's SHA-256, likewise; None puts pictures inside.
    ways : sequence of (address, words)
        Where its reader may go on; not printed.
    signed_at : mapping of SHA-256 to address or None
        Of the contents that were signed, those that can be had as they were.
    """
    options = options or ReportOptions()
    ready = content(given, options)
    return _templates.get_template("report.html").render(
        report=ready,
        unit_word=words_of(options.language, options.region).t("unit"),
        stylesheet_at=stylesheet_at,
        css=Markup(stylesheet()),
        drawn=Markup,
        ways=ways,
        signed_at=signed_at or {},
        photo_at={
            p.name: f"{photos_at}{p.sha256}" if photos_at else _photo(p) for p in given.photos
        },
    )


def _photo(photo: Photo) -> str:
    return f"data:{picture_type(photo.data)};base64,{base64.b64encode(photo.data).decode()}"
