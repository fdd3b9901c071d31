"""A field book with every kind of entry, the office it belongs to, and what both must agree on."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx

from api.app import create_app
from api.report.from_book import signing
from api.settings import Settings
from fluebook import Client, Unreachable
from fluebook.field_book import FieldBook
from ingest.cut_operations import CutOperation
from ingest.documents import job_from
from ingest.how_read import HowRead
from ingest.identifiers import new_id
from ingest.intake import Intake, Said, Statement
from ingest.models import Boiler, Site, Visit
from ingest.store import Book
from parsers import Reading, ReadOptions
from parsers.maps import taught
from tests import logs
from tests.api.conftest import BOILER, CSV
from tests.api.report_case import png
from tests.serving import serving

PICTURE = png(40, 30)
PERSON = "J. Harrow"
# No unit in the heading, and a heading that the glossary does not know.
BARE = b"O2 %,CO ppm,Stack temperature,Kanal 7\r\n5.2,15,250,7\r\n"
LOG = logs.as_csv(logs.made())
SERVICE = {
    "tasks": [
        {
            "task": "igniter_check",
            "outcome": "done",
            "grade": "worn",
            "replaced": [{"part": "igniter", "serial_before": "A1", "serial_after": "B2"}],
        }
    ],
    "tests": [{"device": "low_water_cutoff", "result": "tripped", "by": PERSON}],
    "light_offs": [{"ignition": "smooth"}],
}
JOB = {
    "on": "2026-11-02",
    "people": [PERSON, "A. Merrow"],
    "room_co": [{"value": 0, "when": "arrival"}],
    "gas": {"inlet_burners_off": "7 inWC"},
}


@dataclass
class Office:
    """A running office: its address, a key, and its own intake."""

    address: str
    secret: str
    intake: Intake
    clients: list[Client]


@contextmanager
def running_office(
    path: Path,
    *,
    role: str = "reviewer",
    wrapped: Callable[[Any], Any] = lambda app: app,
) -> Iterator[Office]:
    """Yield an office that serves one book to a laptop with a key of this role."""
    with Book(path) as book:
        intake = Intake(book)
        app = create_app(intake, Settings(requests_a_minute=0))
        _, secret = app.state.desk.add_key("laptop 1", "test", role=role)
        with serving(wrapped(app)) as address:
            opened = Office(address, secret, intake, [])
            yield opened
            for client in opened.clients:
                client.close()


def meeting(field: Intake, office: Office, **given: Any) -> FieldBook:
    """Return a field book before its office."""
    client = Client(
        office.address,
        PERSON,
        key=office.secret,
        wait=given.pop("wait", lambda _: None),
        http=given.pop("http", None),
        tries=given.pop("tries", 6),
    )
    office.clients.append(client)
    return FieldBook(field, client, office.address, PERSON, **given)


def reading(o2: float, rate: float = 75.0, **given: Any) -> Reading:
    """Return a reading as a person types it."""
    values = {"o2_dry": o2, "co_dry": 40.0, "stack_temperature": 190.0}
    return Reading(values=values, phase="as_left", firing_rate=rate, **given)


def opened_visit(field: Intake, **document: Any) -> UUID:
    """Open a visit with a site and a boiler of its own."""
    site = field.put_site(Site.model_validate({"name": "Weir Lane"}), PERSON).document
    boiler = field.put_boiler(
        Boiler.model_validate({**BOILER, "site_id": str(site.id)}), PERSON
    ).document
    started = "2026-11-02T08:00:00+00:00"
    given = {"boiler_id": boiler.id, "started": started, "adjusted": False, **document}
    visit = field.put_visit(Visit.model_validate(given), PERSON).document
    assert visit.id is not None
    return visit.id


def with_everything(field: Intake) -> UUID:
    """Open a visit and enter each kind of thing that a technician can; return its id."""
    field.put_map(taught("test map", ["Kanal 7", "O2 %"], {"Kanal 7": "ignore"}), PERSON)
    job_id = new_id()
    visit_id = opened_visit(field, technician=PERSON, service=SERVICE)
    view = field.visit(visit_id)
    assert view.site is not None
    job = job_from({**JOB, "id": str(job_id), "site_id": str(view.site.id)}, "job")
    field.put_job(job, PERSON)
    field.put_visit(view.visit.model_copy(update={"job_id": job_id}), PERSON)
    first, second, wrong = new_id(), new_id(), new_id()
    field.add_readings(visit_id, [(first, reading(4.1))], PERSON)
    statement = Statement(rates=(100.0, 25.0), phase="as_left")
    field.add_file(visit_id, CSV, "after tuning.csv", PERSON, statement=statement)
    field.add_readings(visit_id, [(second, reading(6.9, 50.0)), (wrong, reading(20.9))], PERSON)
    options = ReadOptions(units={"stack_temperature": "degF"})
    bare = Statement(rates=(60.0,), phase="as_left")
    field.add_file(visit_id, BARE, "bare.csv", PERSON, statement=bare, options=options)
    field.add_photo(visit_id, PICTURE, "seat.png", PERSON, caption="the seat")
    _log(field, visit_id)
    field.supersede_reading(second, reading(5.9, 50.0), "T. Ortiz", "digits exchanged")
    field.supersede_reading(wrong, None, PERSON, "the probe fell out")
    _correct_file(field, visit_id)
    flag = field.visit(visit_id).judgement.flags[0]
    field.say_handled(visit_id, [Said(flag.id, "cleaned and set anew")], PERSON)
    return visit_id


def _log(field: Intake, visit_id: UUID) -> None:
    """Hand over a log, correct its cut, confirm it, and correct it once more."""
    how = HowRead(units=(("stack_draft", "Pa"),))
    cut, _ = field.add_log(visit_id, LOG, "log.csv", PERSON, options=how, response_time=25.0)
    named = [
        CutOperation("rate", at=(s.start + s.end) / 2, rate=rate)
        for s, rate in zip(cut.plateaus, (25.0, 50.0, 50.0, 100.0, 75.0), strict=True)
    ]
    named.append(CutOperation("phase", phase="as_found"))
    field.correct_cut(visit_id, cut.attachment.id, named, PERSON)
    field.confirm_cut(visit_id, cut.attachment.id, PERSON)
    last = cut.plateaus[-1]
    drop = CutOperation("drop", at=(last.start + last.end) / 2, why="not yet steady")
    field.correct_cut(visit_id, cut.attachment.id, [drop], PERSON)


def _correct_file(field: Intake, visit_id: UUID) -> None:
    """Correct the second reading of the file, twice."""
    there = field.visit(visit_id)
    (file,) = [a for a in there.attachments if a.name == "after tuning.csv"]
    kept = [k for k in there.readings if k.attachment_id == file.id][1]
    once = replace(kept.reading, values={**kept.reading.values, "o2_dry": 5.5}, lines=(), at={})
    identity = field.supersede_reading(kept.id, once, PERSON, "read off the paper")
    assert identity is not None
    again = replace(once, values={**once.values, "o2_dry": 5.4})
    field.supersede_reading(identity, again, PERSON, "the paper again")


def hand_in_signed(field: Intake, visit_id: UUID) -> None:
    """Hand a visit in with its report signed under a printed name."""
    sign = signing(field, visit_id, field.plans(), printed_name="Jo Harrow")
    field.hand_in(visit_id, PERSON, sign=sign)


def corrections(intake: Intake, visit_id: UUID) -> Sequence[tuple[Any, ...]]:
    """Return every correction of single readings: when, why, and what stands instead."""
    kept = intake.all_readings(visit_id)
    by_id = {k.id: k.reading for k in kept}
    logs_of = intake.logs(visit_id)
    return sorted(
        (
            k.superseded_at,
            k.superseded_why,
            k.reading.values["o2_dry"],
            k.superseded_by and by_id[k.superseded_by].values["o2_dry"],
        )
        for k in kept
        if k.superseded_at is not None and k.attachment_id not in logs_of
    )


def same(field: Intake, office: Intake, visit_id: UUID) -> None:
    """Compare all that both books say of a visit; each thing is there exactly once."""
    mine, theirs = field.visit(visit_id), office.visit(visit_id)
    assert theirs.visit == mine.visit
    assert theirs.job == mine.job
    assert theirs.state == mine.state
    assert theirs.points == mine.points
    assert theirs.judgement.flags == mine.judgement.flags
    assert _files(theirs) == _files(mine)
    assert _readings(office, visit_id) == _readings(field, visit_id)
    assert corrections(office, visit_id) == corrections(field, visit_id)
    assert _cuts(office, visit_id) == _cuts(field, visit_id)
    for book in (field.book, office.book):
        assert book.verify() == [], book.path


def _files(view: Any) -> list[Any]:
    kept = [(a.sha256, a.kind, a.name, dict(a.statement), a.withdrawn_at) for a in view.attachments]
    return sorted(kept, key=str)


def _readings(intake: Intake, visit_id: UUID) -> list[Reading]:
    logs_of = intake.logs(visit_id)
    kept = intake.all_readings(visit_id)
    return [k.reading for k in kept if k.attachment_id not in logs_of]


def _cuts(intake: Intake, visit_id: UUID) -> list[Any]:
    found = []
    for identity in intake.logs(visit_id):
        cut = intake.log_cut(visit_id, identity)
        confirmed = cut.confirmation and cut.confirmation.corrections
        done = [dict(c.operation) for c in cut.corrections]
        found.append((cut.segments, dict(cut.phases), done, confirmed, cut.response_time))
    return found


def sent_over_a_lossy_line(field: Intake, office: Office, seed: int, most: int) -> None:
    """Send so often until all is with the office; fail where it never is."""
    with httpx.Client(transport=Lossy(seed)) as http:
        for _ in range(most):
            try:
                outcome = meeting(field, office, http=http, tries=2).send()
            except Unreachable:
                continue
            assert outcome.clean, outcome
            return
    raise AssertionError("never through")


class Lossy(httpx.HTTPTransport):
    """A line that loses two requests in ten, and two answers to requests that arrived."""

    def __init__(self, seed: int) -> None:
        super().__init__()
        self._chance = random.Random(seed)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        fate = self._chance.random()
        if fate < 0.2:
            raise httpx.ConnectError("no signal", request=request)
        response = super().handle_request(request)
        if fate < 0.4:
            response.read()
            response.close()
            raise httpx.ReadError("cut off", request=request)
        return response
