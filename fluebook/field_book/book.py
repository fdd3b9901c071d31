"""One field book and the office it belongs to: sent up, fetched down."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from uuid import UUID

from fluebook.client import JsonObject
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
from fluebook.field_book.outcome import Outcome
from fluebook.field_book.staying import fetch_plans, send_plans, tell_clock, tell_staying
from fluebook.field_book.visits_down import fetch_visit
from fluebook.field_book.visits_up import send_visit
from ingest.dimensions import Document
from ingest.store import field as marks

_GOES = ("same", "kept")
Sent = dict[tuple[DocumentKind, UUID], Ended]
"""How each document ended that was sent so far."""


class FieldBook(Meeting):
    """One field book before its office: a meeting, and the two things that are done at it.

    Each call of ``send`` or ``fetch`` returns an outcome of its own.
    """

    def send(self) -> Outcome:
        """Send everything that was made here and that the office takes, and name what it does not.

        A visit goes up once its site, boiler and job are the same on both sides, or the office
        keeps its own.

        Raises
        ------
        Unreachable
            If the signal is gone; what was sent stays sent, and a repeat goes on from there.
        """
        self.outcome = Outcome()
        sent: Sent = {}
        send_maps(self)
        for visit_id in marks.own_visits(self.intake.book.reader):
            view = self.intake.visit(visit_id)
            ways = [
                self._send(sent, "site", view.site),
                self._send(sent, "boiler", view.boiler),
                self._send(sent, "job", None if view.job is None else self._job(view.visit.job_id)),
            ]
            if all(way in _GOES for way in ways):
                self.attempt(f"visit {visit_id}", partial(send_visit, self, visit_id))
            elif "missing" in ways:
                self.outcome.refused.append(
                    f"visit {visit_id}: stays here until the office has its boiler, site and job"
                )
        self._send_loose(sent)
        send_plans(self)
        tell_staying(self)
        tell_clock(self)
        return self.outcome

    def fetch(self, *, boiler_ids: Sequence[UUID] = ()) -> Outcome:
        """Bring sites, boilers, jobs, plans, maps and finished visits down.

        And what became of visits sent from here: sent back, accepted, corrected. What is due is
        then told by this book itself, also without signal.

        Raises
        ------
        Unreachable
            If the signal is gone; what was fetched stays.
        """
        self.outcome = Outcome()
        office, wanted = self.office, {str(b) for b in boiler_ids}
        fetch_maps(self)
        fetch_plans(self)
        fetch_company_limits(self)
        for site in office.all("sites", "sites"):
            fetch_document(self, "site", site)
        for boiler in office.all("boilers", "boilers"):
            if not wanted or boiler["id"] in wanted:
                fetch_document(self, "boiler", boiler)
        for job in office.call("GET", "jobs")["jobs"]:
            fetch_document(self, "job", job)
        mine = set(marks.own_visits(self.intake.book.reader))
        for listed in office.all("visits", "visits", fields="id,boiler_id,state,version"):
            if wanted and listed["boiler_id"] not in wanted:
                continue
            self._fetch_visit(listed, mine)
        tell_clock(self)
        return self.outcome

    def _fetch_visit(self, listed: JsonObject, mine: set[UUID]) -> None:
        visit_id = UUID(listed["id"])
        finished = listed["state"] in FINISHED and listed["boiler_id"] is not None
        if visit_id in mine or finished:
            own = visit_id in mine
            self.attempt(f"visit {visit_id}", partial(fetch_visit, self, visit_id, listed, own=own))

    def _job(self, job_id: UUID | None) -> Document | None:
        return None if job_id is None else self.intake.job(job_id).document

    def _send(self, sent: Sent, kind: DocumentKind, document: Document | None) -> Ended:
        """Send a document once; say again how it ended where it was sent already."""
        identity: UUID | None = getattr(document, "id", None)
        if document is None or identity is None:
            return "same"
        if (kind, identity) not in sent:
            sent[kind, identity] = send_document(self, kind, identity)
        return sent[kind, identity]

    def _send_loose(self, sent: Sent) -> None:
        """Send sites, boilers and jobs that no visit took along, where they are changed or new."""
        held: list[tuple[DocumentKind, Sequence[Document]]] = [
            ("site", self.intake.sites()),
            ("boiler", self.intake.boilers()),
            ("job", self.intake.jobs()),
        ]
        for kind, documents in held:
            for document in documents:
                identity: UUID = document.id  # type: ignore[attr-defined]
                base = self.common(kind, identity)
                if base is None or base.sha256 != hash_of(plain(document)):
                    if sent.get((kind, identity)) in ("kept", "missing", "conflict"):
                        continue  # that is said already
                    send_document(self, kind, identity)
