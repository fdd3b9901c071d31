"""What the trail tells of each row, gathered line by line from the first to the last.

A row is known by its table and a key; what is told of it is the columns that its lines name. What
no line names (a password's hash, when a key was last used) is not gathered: docs/store.md lists it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from ingest.models import LimitsDocument
from ingest.store.audit import canonical_json
from ingest.store.gathered import Ids, Rows

RANGES, HANDED_IN = "readings of a file", "hand-in"
_LIVE, _UNASSIGNED = "file under a visit", "visit without a boiler"
"""Beside the tables: what lines tell that stands in no row as it is."""
ANEW = "the cut was confirmed anew"
"""Why the readings of a log's cut give way to those of its next confirmation."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the trail."""

    seq: int
    at: str
    who: str
    action: str
    subject: str
    details: Mapping[str, Any]

    @property
    def id(self) -> str:
        """Return what the line is about, without its kind."""
        return self.subject.partition(":")[2]


@dataclass(slots=True)
class Told:
    """Rows by table and key with the columns that the trail tells, and the line that did last.

    A document is told by the hash of its one spelling: what is gathered stays small.

    Attributes
    ----------
    superseded : dict
        Reading -> when, by whom, why and by which reading it was superseded.
    withdrawn : dict
        Attachment -> when, by whom and why all its readings gave way, once or more.
    reading_ids : Ids
        Readings that came without a file.
    """

    rows: Rows = field(default_factory=Rows)
    superseded: dict[str, tuple[str, str, str, str | None]] = field(default_factory=dict)
    withdrawn: dict[str, set[tuple[str, str, str]]] = field(default_factory=dict)
    reading_ids: Ids = field(default_factory=Ids)

    def tell(self, line: Line) -> None:
        """Take a line; one that was changed to nonsense tells nothing."""
        tell = _TELLS.get(line.action)
        # The chain's own check names a line that breaks its teller.
        with suppress(ValueError, TypeError, KeyError, AttributeError):
            if tell is not None:
                tell(self, line)

    def put(self, line: Line, table: str, key: str, **columns: Any) -> None:
        """Tell columns of a row; what was told before of its other columns stays."""
        self.rows.put(table, key, line.seq, columns)

    def gone(self, table: str, key: str) -> None:
        """Tell that a row is no more."""
        self.rows.pop(table, key)

    def range_brought(self, line: Line, attachment: str, first: str, last: str) -> None:
        """Tell that a line brought readings of a file, by the ids of the first and the last."""
        self.put(line, RANGES, attachment, ranges=[*self.ranges(attachment), [first, last]])

    def ranges(self, attachment: str) -> list[list[str]]:
        """Return first and last id of the readings that lines brought from a file."""
        found = self.rows.get(RANGES, attachment)
        return found[0]["ranges"] if found else []

    def attached(self, line: Line) -> None:
        """Tell of a file under a visit."""
        sha256 = line.details["sha256"]
        key = f"{line.id} {sha256} {line.at}"
        name = line.details["file"]
        self.put(line, "attachment", key, name=name, added_by=line.who, withdrawn_at=None)
        self.put(line, _LIVE, f"{line.id} {sha256}", attachment=key)
        if "readings_sha256" in line.details:
            self.range_brought(line, line.details["attachment"], "", "~")

    def withdrew(self, line: Line) -> None:
        """Tell that a file was withdrawn, with all its readings."""
        live = self.rows.pop(_LIVE, f"{line.id} {line.details['sha256']}")
        if live is None:
            return
        key = live[0]["attachment"]
        self.put(line, "attachment", key, withdrawn_at=line.at, withdrawn_by=line.who)
        self.put(line, "attachment", key, withdrawn_why=line.details["why"])


def text_of(document: Any) -> str:
    """Return a document as it is compared: the hash of its one spelling."""
    return sha256_of(canonical_json(document))


def sha256_of(text: str) -> str:
    """Return the SHA-256 of a kept text."""
    return hashlib.sha256(text.encode()).hexdigest()


def _placed(table: str, *columns: str) -> Callable[[Told, Line], None]:
    """Return what tells of a document whose own keys stand in columns too."""

    def tell(book: Told, line: Line) -> None:
        document = line.details["document"]
        same = {name: document.get(name) for name in columns}
        book.put(line, table, line.id, document=text_of(document), **same)

    return tell


def _job(book: Told, line: Line) -> None:
    if line.subject.startswith("job:"):  # the visits of a job have lines of this name too
        _placed("job", "external_id", "site_id")(book, line)


def _visit(book: Told, line: Line) -> None:
    document = line.details["document"]
    names = ("boiler_id", "job_id", "external_id", "technician")
    same = {name: document.get(name) for name in names}
    # Whole only while its boiler is not known: the line that puts it there names that alone.
    if same["boiler_id"] is None:
        book.put(line, _UNASSIGNED, line.id, document=canonical_json(document))
    book.put(line, "visit", line.id, document=text_of(document), **same)
    if line.action != "visit_changed":
        state = "open" if line.action == "visit_opened" else "accepted"
        book.put(line, "visit", line.id, state=state, handed_in_at=None)
    if line.action == "visit_imported":
        book.attached(line)


def _assigned(book: Told, line: Line) -> None:
    there = book.rows.pop(_UNASSIGNED, line.id)
    if there is None:
        return
    document = {**json.loads(there[0]["document"]), "boiler_id": line.details["boiler"]}
    book.put(line, "visit", line.id, document=text_of(document), boiler_id=line.details["boiler"])
    _frozen(book, line)


def _frozen(book: Told, line: Line) -> None:
    if "judgement" in line.details:
        book.put(line, "judgement", line.details["judgement"], made_at=line.at, made_by=line.who)


def _handed_in(book: Told, line: Line) -> None:
    book.put(
        line,
        "visit",
        line.id,
        state="handed_in",
        handed_in_at=line.at,
        job_sha256=line.details.get("job_sha256"),
    )
    book.put(line, HANDED_IN, f"{line.id} {line.at} {line.details['judgement']}")
    _frozen(book, line)


def _moved(book: Told, line: Line) -> None:
    book.put(line, "visit", line.id, state=line.action)


def _joined(book: Told, line: Line) -> None:
    book.reading_ids.update(line.details["ids"])


def _superseded(book: Told, line: Line) -> None:
    details = line.details
    at = details.get("made_at", line.at)  # one that was made in a field book says when
    book.superseded[details["old"]] = (at, line.who, details["why"], details["new"])
    if details["new"] is not None:
        book.reading_ids.update([details["new"]])


def _waiting(book: Told, line: Line) -> None:
    for identity, document in line.details["readings"].items():
        key = f"{line.details['owner']} {line.id} {identity}"
        book.put(line, "waiting_readings", key, document=text_of(json.loads(document)))


def _cut_confirmed(book: Told, line: Line) -> None:
    details = line.details
    attachment = details["attachment"]
    key = f"{attachment} {details['confirmation']}"
    book.put(line, "cut_confirmation", key, made_at=line.at, made_by=line.who)
    book.range_brought(line, attachment, details["first"], details["last"])
    book.withdrawn.setdefault(attachment, set()).add((line.at, line.who, ANEW))


def _cut_corrected(book: Told, line: Line) -> None:
    for one in line.details["corrections"]:
        key = f"{line.details['attachment']} {one['number']}"
        book.put(line, "cut_correction", key, made_at=line.at, made_by=line.who)


def _stop_taken(book: Told, line: Line) -> None:
    key = f"{line.id} {line.at}"
    book.put(line, "standing_stop", key, taken_by=line.who, words=line.details["words"])


def _standing(book: Told, line: Line) -> None:
    given = {k: v for k, v in line.details.items() if k not in ("id", "boiler", "part")}
    book.put(
        line,
        "standing_acceptance",
        line.details["id"],
        **given,
        boiler_id=line.details["boiler"],
        until_part_change=line.details["part"],
        made_at=line.at,
        made_by=line.who,
        ended_at=None,
    )


def _standing_ended(book: Told, line: Line) -> None:
    book.put(
        line,
        "standing_acceptance",
        line.details["id"],
        ended_at=line.at,
        ended_by=line.who,
        ended_how=line.details["how"],
        ended_why=line.details["why"],
    )


def _plan(book: Told, line: Line) -> None:
    key = f"{line.id} {line.details['version']}"
    sha256 = line.details["sha256"]
    book.put(line, "plan", key, sha256=sha256, added_at=line.at, added_by=line.who)
    book.gone("removed_plan", line.id)


def _plan_removed(book: Told, line: Line) -> None:
    book.put(line, "removed_plan", line.id, removed_at=line.at, removed_by=line.who)


def _webhook(book: Told, line: Line) -> None:
    names = ("url", "name", "events", "site", "active")
    given = {name: line.details[name] for name in names}
    book.put(line, "webhook", line.id, **{**given, "active": int(given["active"])}, removed=0)


def _webhook_off(book: Told, line: Line) -> None:
    removed = int(line.action == "webhook_removed")
    book.put(line, "webhook", line.id, active=0, removed=removed)


_ACCOUNT = ("name", "printed_name", "role", "sites")
_KEY = ("label", "role", "scopes", "sites", "owner", "ends_at")


def _account(book: Told, line: Line) -> None:
    given = {name: line.details[name] for name in _ACCOUNT if name in line.details}
    closed = int(bool(line.details.get("closed")))
    book.put(line, "account", line.id, **given, closed=closed)


def _key(book: Told, line: Line) -> None:
    given = {name: line.details[name] for name in _KEY if name in line.details}
    book.put(line, "access_key", line.id, **given, revoked=0)


def _key_revoked(book: Told, line: Line) -> None:
    book.put(line, "access_key", line.id, revoked=1)


def limits_of(text: str) -> str:
    """Return limits as they are compared, whatever of them is left out because it is not set."""
    return LimitsDocument.model_validate_json(text).model_dump_json(exclude_none=True)


def _company_limits(book: Told, line: Line) -> None:
    given = line.details["after"] if "after" in line.details else line.details["limits"]
    book.put(line, "setting", "company_limits", limits=limits_of(json.dumps(given)))


_PLACE = ("name", "external_id")
_TELLS: Mapping[str, Callable[[Told, Line], None]] = {
    **dict.fromkeys(("site_added", "site_changed"), _placed("site", *_PLACE)),
    **dict.fromkeys(("boiler_added", "boiler_changed"), _placed("boiler", *_PLACE, "site_id")),
    **dict.fromkeys(("visit_opened", "visit_changed", "visit_imported"), _visit),
    **dict.fromkeys(("job_added", "job_changed"), _job),
    "visit_assigned": _assigned,
    "handed_in": _handed_in,
    "accepted": _moved,
    "sent_back": _moved,
    "judged_again": _frozen,
    "file_added": Told.attached,
    "photo_added": Told.attached,
    "file_withdrawn": Told.withdrew,
    "readings_added": _joined,
    "readings_joined": _joined,
    "readings_waiting": _waiting,
    "reading_superseded": _superseded,
    "cut_corrected": _cut_corrected,
    "cut_confirmed": _cut_confirmed,
    "stop_taken": _stop_taken,
    "standing_acceptance_made": _standing,
    "standing_acceptance_ended": _standing_ended,
    "plan_added": _plan,
    "plan_removed": _plan_removed,
    "plan_brought_back": lambda book, line: book.gone("removed_plan", line.id),
    **dict.fromkeys(("webhook_made", "webhook_changed"), _webhook),
    **dict.fromkeys(("webhook_switched_off", "webhook_removed"), _webhook_off),
    **dict.fromkeys(("account_made", "account_changed"), _account),
    "key_made": _key,
    "key_revoked": _key_revoked,
    "layout_saved": lambda book, line: book.put(
        line, "layout", line.id, document=text_of(line.details["document"])
    ),
    "layout_removed": lambda book, line: book.gone("layout", line.id),
    "map_taught": lambda book, line: book.put(
        line, "column_map", line.id, document=text_of(line.details["map"])
    ),
    "map_forgotten": lambda book, line: book.gone("column_map", line.id),
    "duty_person_put": lambda book, line: book.put(
        line, "duty_person", line.id, name=line.details["name"], email=line.details["email"]
    ),
    "duty_person_removed": lambda book, line: book.gone("duty_person", line.id),
    "company_limits_changed": _company_limits,
}
"""Action -> what its lines tell."""
