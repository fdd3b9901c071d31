"""Files that the office added to a field book's visit, or withdrew from it, come down."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import httpx
import pytest

from fluebook.field_book import files_down
from ingest.cut_operations import CutOperation
from ingest.how_read import HowRead
from ingest.identifiers import new_id
from ingest.intake import Intake, Statement
from parsers import LineRange, ReadOptions
from tests.api.conftest import CSV
from tests.fluebook.field_case import (
    BARE,
    LOG,
    PERSON,
    PICTURE,
    Office,
    meeting,
    opened_visit,
    reading,
    same,
)


@pytest.fixture
def sent(field: Intake, office: Office) -> UUID:
    """A visit that both have, with a typed reading."""
    visit_id = opened_visit(field)
    field.add_readings(visit_id, [(new_id(), reading(4.1))], PERSON)
    assert meeting(field, office).send().clean
    return visit_id


class Broken(httpx.HTTPTransport):
    """A line on which each answer with bytes of a file ends after a third of what is left."""

    def __init__(self) -> None:
        super().__init__()
        self.ranges: list[str] = []
        self.cuts = 0

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        response = super().handle_request(request)
        self.cuts += request.url.path.endswith("/cut")
        if "/evidence/" not in request.url.path:
            return response
        self.ranges.append(request.headers.get("range", ""))
        whole = response.read()
        response.close()
        most = max(len(whole) // 3, 40)

        def some() -> Any:
            yield whole[:most]
            if len(whole) > most:
                raise httpx.ReadError("cut off", request=request)

        stream = _Stream(some())
        return httpx.Response(response.status_code, headers=response.headers, stream=stream)


class _Stream(httpx.SyncByteStream):
    def __init__(self, parts: Any) -> None:
        self._parts = parts

    def __iter__(self) -> Any:
        return self._parts


def test_what_the_office_added_comes_down_over_a_line_that_breaks(
    field: Intake, office: Office, sent: UUID
) -> None:
    there = office.intake
    there.add_photo(sent, PICTURE, "seat.png", "L. Sorrel", caption="the seat")
    stated = Statement(phase="as_left", line_ranges=(LineRange(2, 9, 60.0),))
    units = ReadOptions(units={"stack_temperature": "degF"})
    there.add_file(sent, BARE, "bare.csv", "L. Sorrel", statement=stated, options=units)
    how = HowRead(units=(("stack_draft", "Pa"),))
    cut, _ = there.add_log(sent, LOG, "log.csv", "L. Sorrel", options=how, response_time=25.0)
    middle = (cut.plateaus[0].start + cut.plateaus[0].end) / 2
    named = [CutOperation("rate", at=middle, rate=25.0), CutOperation("phase", phase="as_left")]
    there.correct_cut(sent, cut.attachment.id, named, "L. Sorrel")
    there.confirm_cut(sent, cut.attachment.id, "L. Sorrel")
    line = Broken()
    with httpx.Client(transport=line) as http:
        fetched = meeting(field, office, http=http).fetch()
    assert fetched.clean, fetched
    assert sum("added at the office and is fetched" in told for told in fetched.done) == 3
    assert sum(one != "" for one in line.ranges) > 3  # each went on where it had broken off
    assert line.cuts == 1
    for asked, status in (("bytes=1-", 206), ("bytes=999999-", 200), ("bytes=-5", 200)):
        sha256 = there.visit(sent).attachments[0].sha256
        given = {"authorization": f"Bearer {office.secret}", "range": asked}
        some = httpx.get(f"{office.address}/v1/evidence/{sha256}", headers=given)
        # A range that is not met may be passed over: RFC 9110, 14.2 (memory).
        assert (some.status_code, len(some.content)) == (status, len(PICTURE) - (status == 206))
    same(field, there, sent)
    assert [a.added_by for a in field.visit(sent).attachments] == ["office: L. Sorrel"] * 3
    for quiet in (meeting(field, office).fetch(), meeting(field, office).send()):
        assert quiet.clean, quiet
    again = Broken()
    with httpx.Client(transport=again) as http:
        assert meeting(field, office, http=http).fetch().clean
    assert again.ranges == []


def test_a_file_too_large_or_with_other_bytes_is_named_and_stops_nothing_else(
    field: Intake, office: Office, sent: UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    office.intake.add_photo(sent, PICTURE, "seat.png", "L. Sorrel")
    monkeypatch.setattr(files_down, "MOST", 10)
    large = meeting(field, office).fetch()
    assert large.clean and "seat.png was added at the office and is larger" in str(large.stays)
    monkeypatch.undo()
    office.intake.add_readings(sent, [(new_id(), reading(5.0, 50.0))], "L. Sorrel")
    wrong = httpx.MockTransport(
        lambda request: (
            httpx.Response(200, content=b"something else")
            if "/evidence/" in request.url.path
            else httpx.get(request.url, headers={"authorization": request.headers["authorization"]})
        )
    )
    with httpx.Client(transport=wrong) as http:
        outcome = meeting(field, office, http=http).fetch()
    (said,) = outcome.refused
    assert "seat.png" in said and "other bytes" in said
    assert not field.visit(sent).attachments
    assert len(field.visit(sent).readings) == 2
    assert meeting(field, office).fetch().clean
    same(field, office.intake, sent)


def test_a_file_that_the_office_withdrew_is_withdrawn_here_and_not_sent_again(
    field: Intake, office: Office, sent: UUID
) -> None:
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    field.add_file(sent, CSV, "after tuning.csv", PERSON, statement=statement)
    assert meeting(field, office).send().clean
    (there,) = office.intake.visit(sent).attachments
    office.intake.withdraw_file(sent, there.id, "L. Sorrel", "the wrong boiler")
    field.add_readings(sent, [(new_id(), reading(5.0, 50.0))], PERSON)
    (said,) = meeting(field, office).send().refused
    assert "after tuning.csv was withdrawn at the office" in said
    assert len(office.intake.visit(sent).attachments) == 1
    assert meeting(field, office).fetch().clean
    (here,) = field.visit(sent).attachments
    assert (here.withdrawn_by, here.withdrawn_why) == ("office: L. Sorrel", "the wrong boiler")
    assert meeting(field, office).send().clean


def test_a_file_handed_over_anew_with_another_statement_is_said(
    field: Intake, office: Office, sent: UUID
) -> None:
    first = Statement(rates=(100.0, 25.0), phase="as_found")
    taken = field.add_file(sent, CSV, "tuning.csv", PERSON, statement=first)
    assert meeting(field, office).send().clean
    field.withdraw_file(sent, taken.attachment_id, PERSON, "it was as left")
    right = Statement(rates=(100.0, 25.0), phase="as_left")
    field.add_file(sent, CSV, "tuning.csv", PERSON, statement=right)
    (said,) = meeting(field, office).send().refused
    assert "with another statement" in said and "withdrawn there" in said
    (there,) = office.intake.visit(sent).attachments
    office.intake.withdraw_file(sent, there.id, "L. Sorrel", "as the technician says")
    assert meeting(field, office).send().clean
    assert office.intake.visit(sent).points == field.visit(sent).points
