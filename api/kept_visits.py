"""Answers about a visit that are given again as long as nothing that they tell of has changed."""

from __future__ import annotations

import asyncio
from uuid import UUID

from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from api.shapes import visit_json
from ingest.intake import Intake
from ingest.store.answers import Key
from ingest.store.held import Held

_MOST = 512


class KeptVisits:
    """The last answers about visits of one book."""

    def __init__(self, intake: Intake) -> None:
        self._intake = intake
        self._bodies: Held[bytes] = Held(_MOST)
        self._making: dict[Key, asyncio.Future[tuple[bytes, int]]] = {}

    async def answer(self, visit_id: UUID) -> tuple[bytes, int]:
        """Return the answer about a visit and its version.

        Whether a kept one still holds is looked up in the book with every request: that takes one
        short statement, so it is done at once and not by another thread.
        """
        key, version, keepable = self._intake.visit_key(visit_id)
        body = self._bodies.get(key)
        if body is not None:
            return body, version
        # Many who ask for one visit at the same moment wait for one making of it.
        making = self._making.get(key)
        if making is None:
            making = asyncio.ensure_future(run_in_threadpool(self._made, visit_id, keepable))
            self._making[key] = making
            making.add_done_callback(lambda _: self._making.pop(key, None))
        return await asyncio.shield(making)

    def _made(self, visit_id: UUID, keepable: bool) -> tuple[bytes, int]:
        before, _, _ = self._intake.visit_key(visit_id)
        view = self._intake.visit(visit_id)
        body = bytes(JSONResponse(visit_json(view)).body)
        # Kept only where nothing changed between the key and what was read after it.
        if keepable and self._intake.visit_key(visit_id)[0] == before:
            self._bodies.put(before, body)
        return body, view.version
