"""One field book and the office it belongs to: sent up, fetched down."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from uuid import UUID

from fluebook.client import Client, JsonObject
from fluebook.field_book.documents import (
    DocumentKind,
    Ended,
    fetch_company_limits,
    fetch_document,
    fetch_maps,
    send_document,
    send_maps,
)
from fluebook.field_book.meeting import FINISHED, Meeting, hash_of, plain
from fluebook.field_book.outcome import Outcome, Whose
from fluebook.field_book.staying import fetch_plans, send_plans, tell_staying
from fluebook.field_book.visits_down import fetch_visit
from fluebook.field_book.visits_up import send_visit
from ingest.dimensions import Document
from ingest.intake import Intake
from ingest.store import field as marks

_GOES = ("same", "kept")


class FieldBook:
    """One field book and the office it belongs to.

    Parameters
    ----------
    intake : Intake
        Of the technician's own book.
    office : Client
        Connected to the office.
    address : str
        Of the office: marks of what both have are kept under it.
    who : str
        For the trail of the field book.
    whose : mapping
        Which side stands, by id, where both changed a thing.
    told : callable
        Hears of each thing as soon as it is done.
    """

    def __init__(
        self,
        intake: Intake,
        office: Client,
        address: str,
        who: str,
        *,
        whose: Mapping[UUID | str, Whose] | None = None,
        told: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._meeting = Meeting(intake, office, address, who, whose or {}, told)
        self._intake = intake
        self._sent: dict[tuple[DocumentKind, UUID], Ended] = {}

    def send(self) -> Outcome:
        """Send everything that was made here and that the office takes, and name what it does not.

        A visit goes up once its site, boiler and job are the same on both sides, or the office
        keeps its own.

        Raises
        ------
        Unreachable
            If the signal is gone; what was sent stays sent, and a repeat goes on from there.
        """
        meeting = self._meeting
        send_maps(meeting)
        for visit_id in marks.own_visits(self._intake.book.reader):
            view = self._intake.visit(visit_id)
            ways = [
                self._send("site", view.site),
                self._send("boiler", view.boiler),
                self._send("job", None if view.job is None else self._job(view.visit.job_id)),
            ]
            if all(way in _GOES for way in ways):
                send_visit(meeting, visit_id)
            elif "missing" in ways:
                meeting.outcome.refused.append(
                    f"visit {visit_id}: stays here until the office has its boiler, site and job"
                )
        self._send_loose()
        send_plans(meeting)
        tell_staying(meeting)
        return meeting.outcome

    def fetch(self, *, boiler_ids: Sequence[UUID] = ()) -> Outcome:
        """Bring sites, boilers, jobs, plans, maps and finished visits down.

        And what became of visits sent from here: sent back, accepted, corrected. What is due is
        then told by this book itself, also without signal.

        Raises
        ------
        Unreachable
            If the signal is gone; what was fetched stays.
        """
        meeting, office = self._meeting, self._meeting.office
        wanted = {str(b) for b in boiler_ids}
        fetch_maps(meeting)
        fetch_plans(meeting)
        fetch_company_limits(meeting)
        for site in office.all("sites", "sites"):
            fetch_document(meeting, "site", site)
        for boiler in office.all("boilers", "boilers"):
            if not wanted or boiler["id"] in wanted:
                fetch_document(meeting, "boiler", boiler)
        for job in office.call("GET", "jobs")["jobs"]:
            fetch_document(meeting, "job", job)
        mine = set(marks.own_visits(self._intake.book.reader))
        for listed in office.all("visits", "visits", fields="id,boiler_id,state,version"):
            if wanted and listed["boiler_id"] not in wanted:
                continue
            self._fetch_visit(listed, mine)
        return meeting.outcome

    def _fetch_visit(self, listed: JsonObject, mine: set[UUID]) -> None:
        visit_id = UUID(listed["id"])
        finished = listed["state"] in FINISHED and listed["boiler_id"] is not None
        if visit_id in mine or finished:
            fetch_visit(self._meeting, visit_id, listed, own=visit_id in mine)

    def _job(self, job_id: UUID | None) -> Document | None:
        return None if job_id is None else self._intake.job(job_id).document

    def _send(self, kind: DocumentKind, document: Document | None) -> Ended:
        """Send a document once; say again how it ended where it was sent already."""
        identity: UUID | None = getattr(document, "id", None)
        if document is None or identity is None:
            return "same"
        if (kind, identity) not in self._sent:
            self._sent[kind, identity] = send_document(self._meeting, kind, identity)
        return self._sent[kind, identity]

    def _send_loose(self) -> None:
        """Send sites, boilers and jobs that no visit took along, where they are changed or new."""
        intake = self._intake
        held: list[tuple[DocumentKind, Sequence[Document]]] = [
            ("site", intake.sites()),
            ("boiler", intake.boilers()),
            ("job", intake.jobs()),
        ]
        for kind, documents in held:
            for document in documents:
                identity: UUID = document.id  # type: ignore[attr-defined]
                base = self._meeting.common(kind, identity)
                if base is None or base.sha256 != hash_of(plain(document)):
                    if self._sent.get((kind, identity)) in ("kept", "missing", "conflict"):
                        continue  # that is said already
                    self._sent[kind, identity] = send_document(self._meeting, kind, identity)
