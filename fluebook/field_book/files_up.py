"""Files, pictures and logs of a visit on their way to the office, as they were stated here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from fluebook.client import JsonObject
from fluebook.field_book.meeting import Meeting
from ingest.intake_cuts import LogCut
from ingest.store.audit import canonical_json
from ingest.store.readings import Attachment

_AS_TEXT = ("zone", "started", "decimal", "delimiter", "checksum")


def statement(kept: Mapping[str, Any]) -> dict[str, str]:
    """Return a file's statement in the words of the upload, with how it was to be read.

    >>> statement({"rates": [100, 25.5], "read": {"units": {"stack_temperature": "degF"}}})
    {'rates': '100,25.5', 'units': 'stack_temperature=degF'}
    """
    stated = {k: str(kept[k]) for k in ("phase", "fuel", "burner") if kept.get(k)}
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


def cut_differs(meeting: Meeting, cut: LogCut, visit_id: UUID, there: str | None) -> bool:
    """Return whether the office's cut of a log lacks corrections or the confirmation of ours."""
    if there is None:
        return True
    office = meeting.office.log_cut(visit_id, there)
    if operations_of(office) != [dict(c.operation) for c in cut.corrections]:
        return True
    return confirmed_at(office) != (None if cut.confirmation is None else _confirmed(cut))


def send_cut(meeting: Meeting, visit_id: UUID, there: str, cut: LogCut) -> None:
    """Bring the corrections of a log's cut up to date, and confirm as many as were confirmed."""
    office = meeting.office
    mine = [dict(c.operation) for c in cut.corrections]
    found = office.log_cut(visit_id, there)
    known, confirmed = len(operations_of(found)), confirmed_at(found)
    wanted = _confirmed(cut)
    if wanted is not None and confirmed != wanted and known <= wanted:
        office.put_corrections(visit_id, there, mine[:wanted])
        office.confirm_cut(visit_id, there, wanted)
    if mine:
        office.put_corrections(visit_id, there, mine)


def operations_of(cut: JsonObject) -> list[JsonObject]:
    """Return the corrections of the office's cut without who made them when."""
    own = ("number", "made_at", "who")
    return [{k: v for k, v in one.items() if k not in own} for one in cut["corrections"]]


def confirmed_at(cut: JsonObject) -> int | None:
    """Return how many corrections the office's confirmed cut has."""
    return None if cut["confirmed"] is None else int(cut["confirmed"]["corrections"])


def _confirmed(cut: LogCut) -> int | None:
    return None if cut.confirmation is None else cut.confirmation.corrections
