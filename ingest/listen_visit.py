"""Listening straight into a visit: the raw capture becomes its evidence, and its log to be cut."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from ingest.capture import CaptureWriter
from ingest.capture_log import how_heard
from ingest.intake import Intake
from ingest.intake_shapes import OPEN_STATES
from ingest.listening import NotIntoTheVisit
from ingest.store import Book, BookError
from parsers import ReadError
from parsers.stream_events import StreamRules


@dataclass(frozen=True, slots=True)
class VisitListening:
    """Where what is heard goes: a visit of a book, and the capture that stands beside it."""

    book: Path
    visit: UUID
    who: str
    capture: Path
    own: bool

    @contextmanager
    def writer(self) -> Iterator[CaptureWriter]:
        """Give the capture that is written while listening.

        Raises
        ------
        NotIntoTheVisit
            Before anything is heard: no such book or visit, or it is not open.
        """
        if not self.book.is_file():
            raise NotIntoTheVisit(f"there is no book {self.book}: name it with --book")
        try:
            with Book(self.book) as book:
                state = Intake(book).visit(self.visit).state
        except BookError as error:
            raise NotIntoTheVisit(str(error)) from error
        if state not in OPEN_STATES:
            raise NotIntoTheVisit(f"the visit {self.visit} is {state}: only an open one takes logs")
        with CaptureWriter(self.capture) as kept:
            yield kept

    def hand_over(self, rules: StreamRules, response_time: float) -> str:
        """Put the capture under the visit and return what to do next.

        Raises
        ------
        NotIntoTheVisit
            If it cannot be taken; the capture stays where it is.
        """
        data = self.capture.read_bytes()
        name = self.capture.name
        try:
            with Book(self.book) as book:
                cut, _ = Intake(book).add_log(
                    self.visit,
                    data,
                    name,
                    self.who,
                    options=how_heard(rules),
                    response_time=response_time,
                )
        except (BookError, ReadError) as error:
            raise NotIntoTheVisit(f"not taken into the visit: {error}. Kept: {self.capture}") from (
                error
            )
        if self.own:
            self.capture.unlink()
        return (
            f"{name} stands in the visit with {len(cut.plateaus)} firing points found; nothing of "
            f"it is judged before its cut is taken: /visits/{self.visit}/logs/{cut.attachment.id}"
        )


def visit_listening(book: Path, visit: UUID, who: str, save: Path | None) -> VisitListening:
    """Return where to listen into; without a file named, the capture stands beside the book."""
    own = save is None
    capture = save or book.with_name(f"heard-{visit}.capture")
    return VisitListening(book, visit, who, capture, own)
