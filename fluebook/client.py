"""A typed client of the HTTP API, for tablet apps, building systems and scripts.

Every call may be repeated: ids are made here before the first try, a file is known by its bytes,
and so a call that the network swallowed is simply made again; see :mod:`fluebook.connection`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import PurePath
from typing import Any, Literal
from uuid import UUID

from fluebook.connection import Connection, JsonObject, Refused, Unreachable, as_header
from ingest.identifiers import new_id

__all__ = ["Client", "JsonObject", "Phase", "Refused", "Sample", "Unreachable"]

Phase = Literal["as_found", "trial", "as_left"]


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading to post.

    ``values`` holds numbers with their units by glossary key, e.g. ``{"o2_dry": "4.9 %",
    "stack_temperature": "310 degF"}``. The id is made here, so that a repeat is harmless.
    """

    values: Mapping[str, Any]
    firing_rate: float | None = None
    phase: Phase | None = None
    time: str | None = None
    id: UUID = field(default_factory=new_id)

    def as_json(self) -> JsonObject:
        """Return the sample as the API takes it."""
        found: JsonObject = {"id": str(self.id), "values": dict(self.values)}
        optional = {"firing_rate": self.firing_rate, "phase": self.phase, "time": self.time}
        return found | {key: value for key, value in optional.items() if value is not None}


class Client(Connection):
    """A connection to one fluebook server, with a method for each thing that is done there."""

    def put_site(self, document: Mapping[str, Any], site_id: UUID | None = None) -> JsonObject:
        """Make or change a site; return it as kept."""
        return self._put("sites", document, site_id)

    def put_boiler(self, document: Mapping[str, Any], boiler_id: UUID | None = None) -> JsonObject:
        """Make or change a boiler; return it as kept."""
        return self._put("boilers", document, boiler_id)

    def put_visit(self, document: Mapping[str, Any], visit_id: UUID | None = None) -> JsonObject:
        """Open or change a visit; return it as kept."""
        return self._put("visits", document, visit_id)

    def add_readings(
        self,
        visit_id: UUID | str,
        samples: Sequence[Sample],
        *,
        units: Mapping[str, str] | None = None,
        phase: Phase | None = None,
    ) -> JsonObject:
        """Add readings, all or none; return their ids and the visit's judgement with them."""
        body: JsonObject = {"readings": [s.as_json() for s in samples], "units": dict(units or {})}
        if phase is not None:
            body["phase"] = phase
        return self.post_readings(visit_id, body)

    def send_file(
        self,
        visit_id: UUID | str,
        data: bytes,
        name: str,
        *,
        rates: Sequence[float] = (),
        phase: Phase | None = None,
    ) -> JsonObject:
        """Hand over an analyzer's file; return how it was read and the judgement with it.

        The same bytes with the same statement are taken once, however often they are sent.
        """
        stated: dict[str, str] = {}
        if rates:
            stated["rates"] = ",".join(f"{rate:g}" for rate in rates)
        if phase is not None:
            stated["phase"] = phase
        return self.send_stated(visit_id, data, name, stated)

    def visit(self, visit_id: UUID | str) -> JsonObject:
        """Return a visit with its points, flags and what was not judged."""
        return self._call("GET", f"visits/{visit_id}")

    def hand_in(
        self,
        visit_id: UUID | str,
        *,
        who: str | None = None,
        printed_name: str = "",
        signed_at: datetime | None = None,
        signed_report_sha256: str | None = None,
    ) -> JsonObject:
        """Hand a visit in; return its frozen judgement.

        A visit that an earlier, unanswered try already handed in counts as done. ``signed_at``
        and ``signed_report_sha256`` are of a visit that was handed in in a field book before.
        """
        body: JsonObject = {"who": who or self._who, "printed_name": printed_name}
        if signed_at is not None:
            body["signed_at"] = signed_at.isoformat()
        if signed_report_sha256 is not None:
            body["signed_report_sha256"] = signed_report_sha256
        try:
            return self._call("POST", f"visits/{visit_id}/hand-in", json=body)
        except Refused as error:
            if error.status == 409:
                now = self.visit(visit_id)
                if now.get("state") in ("handed_in", "accepted"):
                    return now
            raise

    def supersede(
        self,
        reading_id: UUID | str,
        reading: Mapping[str, Any] | None,
        why: str,
        *,
        units: Mapping[str, str] | None = None,
        who: str | None = None,
        made_at: datetime | None = None,
    ) -> JsonObject:
        """Put a corrected reading in place of one, or none, with the reason.

        ``reading`` is in the shape of the API, with an id made here.
        """
        body: JsonObject = {"why": why, "units": dict(units or {})}
        if reading is not None:
            body["reading"] = dict(reading)
        if made_at is not None:
            body["made_at"] = made_at.isoformat()
        headers = _as(who)
        return self._call("POST", f"readings/{reading_id}/supersede", json=body, headers=headers)

    def flagged_visits(self, **filters: str) -> Iterator[JsonObject]:
        """Yield handed-in visits with findings, worst first, over all pages."""
        yield from self.all("flagged-visits", "visits", **filters)

    def judge(self, request: Mapping[str, Any]) -> JsonObject:
        """Judge a visit with boiler and history; nothing is stored."""
        return self._call("POST", "judge", json=dict(request))

    def limits(self, boiler_id: UUID | str | None = None) -> tuple[JsonObject, int]:
        """Return what a boiler states, or the company where none is named, and its version."""
        return self.get_tagged(_limits_of(boiler_id))

    def preview_limits(
        self,
        limits: Mapping[str, Any],
        boiler_id: UUID | str | None = None,
        *,
        since: str | None = None,
        until: str | None = None,
    ) -> JsonObject:
        """Return what other limits would have flagged at finished visits; nothing is stored.

        ``since`` and ``until`` are days in UTC, as ``2026-11-02``; the last year if absent.
        """
        body: JsonObject = {"limits": dict(limits), "since": since, "until": until}
        return self._call("POST", f"{_limits_of(boiler_id)}/preview", json=body)

    def put_limits(
        self,
        limits: Mapping[str, Any],
        why: str,
        boiler_id: UUID | str | None = None,
        *,
        version: int | None = None,
    ) -> JsonObject:
        """State all limits anew, with the reason; over that version where one is given."""
        body: JsonObject = {"limits": dict(limits), "why": why}
        return self.put_tagged(_limits_of(boiler_id), body, version)

    def all(self, path: str, key: str, **filters: str) -> Iterator[JsonObject]:
        """Yield every item of a list, over all of its pages."""
        after: str | None = None
        while True:
            params = {**filters, **({"after": after} if after else {})}
            page = self._call("GET", path, params=params)
            yield from page[key]
            after = page.get("next")
            if after is None:
                return

    def call(self, method: str, path: str, **given: Any) -> JsonObject:
        """Make one call under ``/v1/``, tried again where no answer came."""
        return self._call(method, path, **given)

    def get_tagged(self, path: str) -> tuple[JsonObject, int]:
        """Return a thing and the version that its entity tag names."""
        found, response = self._answered("GET", path)
        return found, int(response.headers["etag"].strip('"'))

    def put_tagged(self, path: str, document: JsonObject, version: int | None) -> JsonObject:
        """Write a document over that version of it; refused with 412 where there is a newer."""
        headers = {} if version is None else {"if-match": f'"{version}"'}
        return self._call("PUT", path, json=document, headers=headers)

    def post_readings(self, visit_id: UUID | str, body: JsonObject) -> JsonObject:
        """Add readings in the shape of the API; ids make a repeat harmless."""
        return self._call("POST", f"visits/{visit_id}/readings", json=body)

    def send_stated(
        self,
        visit_id: UUID | str,
        data: bytes,
        name: str,
        stated: Mapping[str, str],
        *,
        who: str | None = None,
    ) -> JsonObject:
        """Hand over a file with its statement in the words of the upload form."""
        return self._call(
            "POST",
            f"visits/{visit_id}/files",
            params={**stated, "name": PurePath(name).name},
            content=data,
            headers={"content-type": "application/octet-stream", **_as(who)},
        )

    def send_photo(
        self,
        visit_id: UUID | str,
        data: bytes,
        name: str,
        *,
        caption: str = "",
        who: str | None = None,
    ) -> JsonObject:
        """Hand over a picture; the same bytes are kept once."""
        return self._call(
            "POST",
            f"visits/{visit_id}/photos",
            files={"file": (PurePath(name).name, data)},
            data={"caption": caption},
            headers=_as(who),
        )

    def evidence(self, sha256: str, most: int) -> bytes:
        """Return a kept file's untouched bytes, at most so many.

        A transfer that broke off goes on where it was.

        Raises
        ------
        Refused
            If the server has none, more of them, or others than that hash names.
        """
        data = self._bytes(f"evidence/{sha256}", most)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise Refused(409, {"title": "other bytes", "detail": f"they are not {sha256}"})
        return data

    def log_cut(self, visit_id: UUID | str, attachment_id: str) -> JsonObject:
        """Return a log's cut as it stands."""
        return self._call("GET", f"visits/{visit_id}/logs/{attachment_id}/cut")

    def bring_plan(self, toml: str) -> JsonObject:
        """Bring a service plan in; the same one again changes nothing."""
        headers = {"content-type": "application/toml"}
        return self._call("POST", "plans", content=toml.encode(), headers=headers)

    def add_corrections(
        self,
        visit_id: UUID | str,
        attachment_id: str,
        corrections: Sequence[JsonObject],
        *,
        after: int,
    ) -> JsonObject:
        """Add corrections to a log's cut, after so many that the sender knows; safe to repeat."""
        body = {"corrections": list(corrections), "after": after}
        return self._call("POST", f"visits/{visit_id}/logs/{attachment_id}/cut", json=body)

    def confirm_cut(self, visit_id: UUID | str, attachment_id: str, corrections: int) -> JsonObject:
        """Make the plateaus of a cut firing points."""
        path = f"visits/{visit_id}/logs/{attachment_id}/cut/confirm"
        return self._call("POST", path, json={"corrections": corrections})

    def teach(self, taught: Mapping[str, Any]) -> JsonObject:
        """Teach a column map."""
        return self._call("POST", "maps", json=dict(taught))

    def _put(self, kind: str, document: Mapping[str, Any], identity: UUID | None) -> JsonObject:
        stated = document.get("id")
        chosen = identity or (UUID(str(stated)) if stated is not None else new_id())
        return self._call("PUT", f"{kind}/{chosen}", json={**document, "id": str(chosen)})


def _as(who: str | None) -> dict[str, Any]:
    """Return the header that names another person than the connection's."""
    return {} if who is None else {"fluebook-who": as_header(who)}


def _limits_of(boiler_id: UUID | str | None) -> str:
    return "company-limits" if boiler_id is None else f"boilers/{boiler_id}/limits"
