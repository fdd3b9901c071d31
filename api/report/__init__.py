"""The signed report of a visit, as PDF and as the same in HTML.

What a report says is gathered once (``api.report.content``) as plain blocks; the two faces only
set them. Equal input gives equal bytes.
"""

from __future__ import annotations

from api.report.given import Evidence, Photo, Replaced, ReportInput, ReportOptions, Signature
from api.report.html import report_html
from api.report.pdf import report_pdf

__all__ = [
    "Evidence",
    "Photo",
    "Replaced",
    "ReportInput",
    "ReportOptions",
    "Signature",
    "report_html",
    "report_pdf",
]
