"""Files, pictures and logs of a visit on their way to the office, as they were stated here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from fluebook.field_book.meeting import Meeting
from ingest.intake import Statement
from ingest.store.audit import canonical_json
from ingest.store.readings import Attachment
from parsers import LineRange

_IN_WORDS = ("phase", "fuel", "burner")
_AS_TEXT = ("zone", "started", "decimal", "delimiter", "checksum")


def statement(kept: Mapping[str, Any]) -> dict[str, str]:
    """Return a file's statement in the words of the upload, with how it was to be read.

    >>> statement({"rates": [100, 25.5], "read": {"units": {"stack_temperature": "degF"}}})
    {'rates': '100,25.5', 'units': 'stack_temperature=degF'}
    """
    stated = {k: str(kept[k]) for k in _IN_WORDS if kept.get(k)}
    if kept.get("rates"):
        stated["rates"] = ",".join(f"{rate:.17g}" for rate in kept["rates"])
    if kept.get("line_ranges"):
        stated["line_ranges"] = canonical_json(kept["line_ranges"])
    if kept.get("as_log"):
        stated["as_log"] = "true"
    read = kept.get("read", {})
    stated |= {k: str(read[k]) for k in _AS_TEXT if read.get(k)}
    if read.get("units"):
        stated["units"] = ",".join(f"{key}={unit}" for key, unit in read["units"].items())
    if read.get("day_first") is not None:
        stated["day_first"] = "true" if read["day_first"] else "false"
    if read.get("headings"):
        stated["headings"] = canonical_json(read["headings"])
    return stated


def send_file(meeting: Meeting, visit_id: UUID, file: Attachment) -> None:
    """Send a file or a picture under the name of who added it."""
    office, data = meeting.office, meeting.intake.evidence(file.sha256)
    if file.kind == "photo":
        caption = str(file.statement.get("caption", ""))
        office.send_photo(visit_id, data, file.name, caption=caption, who=file.added_by)
        return
    for taught in file.statement.get("read", {}).get("maps", ()):
        office.teach(taught)  # a log that was listened to by a map of its own
    stated = statement(file.statement)
    if file.statement.get("as_log"):
        cut = meeting.intake.log_cut(visit_id, file.id)
        if cut.response_time is not None:
            stated["response_time"] = f"{cut.response_time:.17g}"
    office.send_stated(visit_id, data, file.name, stated, who=file.added_by)


def same_said(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Return whether two statements say the same of a file's readings."""
    return statement_from(one) == statement_from(other)


def statement_from(kept: Mapping[str, Any]) -> Statement:
    """Return what was stated of a file, from how a book keeps it.

    >>> statement_from({"rates": [100, 25.5], "phase": "as_left"}).rates
    (100.0, 25.5)
    """
    return Statement(
        rates=tuple(float(rate) for rate in kept.get("rates", ())),
        line_ranges=tuple(LineRange(**one) for one in kept.get("line_ranges", ())),
        **{key: kept[key] for key in _IN_WORDS if kept.get(key)},
    )
