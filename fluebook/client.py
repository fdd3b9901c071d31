"""A typed client of the HTTP API, for tablet apps, building systems and scripts.

Every call may be repeated: ids are made here before the first try, a file is known by its bytes,
and so a call that the network swallowed is simply made again. Errors:

    Refused       the server understood and said no; carries its problem details
    Unreachable   no answer after all tries; what became of the last is unknown, a repeat is safe
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath
from types import TracebackType
from typing import Any, Literal
from uuid import UUID

import httpx

from ingest.identifiers import new_id

Phase = Literal["as_found", "trial", "as_left"]
JsonObject = dict[str, Any]

_AGAIN = frozenset({429, 502, 503, 504})
_FIRST_WAIT_S = 0.5
_LONGEST_WAIT_S = 30.0


class Unreachable(Exception):
    """No answer came; making the same call again is safe."""


class Refused(Exception):
    """The server refused; nothing was changed.

    Attributes
    ----------
    status : int
        HTTP status: 404 unknown, 409 not in this state, 412 changed meanwhile, 422 not usable.
    problem : dict
        The problem details (RFC 9457); ``errors`` names each place, what was expected there and
        what to do.
    """

    def __init__(self, status: int, problem: JsonObject) -> None:
        self.status = status
        self.problem = problem
        super().__init__(f"{status} {problem.get('title', '')}: {problem.get('detail', '')}")


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


class Client:
    """A connection to one fluebook server.

    Parameters
    ----------
    address : str
        Such as ``https://fluebook.example``.
    who : str
        The person or program named in the audit trail.
    key : str or None
        The program's key, as an administrator was shown it; none where nobody signs in.
    tries : int
        How often a call is made before it counts as unreachable.
    timeout : float [s]
        Of one try.
    http : httpx.Client, optional
        With its own settings; closed by whoever made it.
    wait : callable
        Sleeps; replaced in tests.
    """

    def __init__(
        self,
        address: str,
        who: str,
        *,
        key: str | None = None,
        tries: int = 6,
        timeout: float = 20.0,
        http: httpx.Client | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._address = address.rstrip("/")
        self._who = who
        self._key = key
        self._tries = tries
        self._own = http is None
        self._http = http or httpx.Client(timeout=timeout)
        self._wait = wait
        self._random = random.Random()

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

    def hand_in(self, visit_id: UUID | str) -> JsonObject:
        """Hand a visit in; return its frozen judgement.

        A visit that an earlier, unanswered try already handed in counts as done.
        """
        try:
            return self._call("POST", f"visits/{visit_id}/hand-in", json={"who": self._who})
        except Refused as error:
            if error.status == 409:
                now = self.visit(visit_id)
                if now.get("state") in ("handed_in", "accepted"):
                    return now
            raise

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
        self, visit_id: UUID | str, data: bytes, name: str, stated: Mapping[str, str]
    ) -> JsonObject:
        """Hand over a file with its statement in the words of the upload form."""
        return self._call(
            "POST",
            f"visits/{visit_id}/files",
            params={**stated, "name": PurePath(name).name},
            content=data,
            headers={"content-type": "application/octet-stream"},
        )

    def send_photo(
        self, visit_id: UUID | str, data: bytes, name: str, *, caption: str = ""
    ) -> JsonObject:
        """Hand over a picture; the same bytes are kept once."""
        return self._call(
            "POST",
            f"visits/{visit_id}/photos",
            files={"file": (PurePath(name).name, data)},
            data={"caption": caption},
        )

    def put_corrections(
        self, visit_id: UUID | str, attachment_id: str, corrections: Sequence[JsonObject]
    ) -> JsonObject:
        """Bring the corrections of a log's cut up to date."""
        body = {"corrections": list(corrections)}
        return self._call("PUT", f"visits/{visit_id}/logs/{attachment_id}/cut", json=body)

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

    def _call(self, method: str, path: str, **given: Any) -> JsonObject:
        return self._answered(method, path, **given)[0]

    def _answered(self, method: str, path: str, **given: Any) -> tuple[JsonObject, httpx.Response]:
        headers = {"fluebook-who": self._who, **given.pop("headers", {})}
        if self._key is not None:
            headers["authorization"] = f"Bearer {self._key}"
        last = "no try was made"
        for number in range(self._tries):
            if number:
                longest = min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2 ** (number - 1))
                # Full jitter: a crowd of tablets that lost one access point comes back spread out.
                self._wait(self._random.uniform(0.0, longest))
            try:
                response = self._http.request(
                    method, f"{self._address}/v1/{path}", headers=headers, **given
                )
            except httpx.TransportError as error:
                last = f"{type(error).__name__}: {error}"
                continue
            if response.status_code in _AGAIN:
                last = f"the server answered {response.status_code}"
                continue
            return _answer(response), response
        raise Unreachable(f"{method} {path}: {last}, after {self._tries} tries")

    def close(self) -> None:
        """Close the connection, where it was made here."""
        if self._own:
            self._http.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _limits_of(boiler_id: UUID | str | None) -> str:
    return "company-limits" if boiler_id is None else f"boilers/{boiler_id}/limits"


def _answer(response: httpx.Response) -> JsonObject:
    try:
        found: Any = response.json()
    except ValueError:
        found = None
    if response.is_success and isinstance(found, dict):
        return found
    if not isinstance(found, dict):
        found = {"title": "not an answer of fluebook", "detail": response.text[:200]}
    raise Refused(response.status_code, found)
