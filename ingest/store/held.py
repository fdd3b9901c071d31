"""What a running program keeps of what it has read, under keys that name the content itself.

A key is a mark or a text that never stands for anything else, so nothing here is ever taken out
because it is old: only because there is no more room.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from functools import lru_cache
from typing import Generic, TypeVar

from ingest.dimensions import Part

T = TypeVar("T")
Kept = TypeVar("Kept", bound=Part)


class Held(Generic[T]):
    """The last used things, at most so many."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._things: OrderedDict[Hashable, T] = OrderedDict()

    def get(self, key: Hashable) -> T | None:
        """Return what is held under a key."""
        with self._lock:
            found = self._things.get(key)
            if found is not None:
                self._things.move_to_end(key)
            return found

    def put(self, key: Hashable, thing: T) -> T:
        """Hold a thing; what was not used for longest gives way."""
        with self._lock:
            self._things[key] = thing
            self._things.move_to_end(key)
            if len(self._things) > self._most:
                self._things.popitem(last=False)
        return thing

    def get_or_make(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what is held under a key, made where it is not there."""
        found = self.get(key)
        return self.put(key, make()) if found is None else found


class HeldBeside(Generic[T]):
    """Things made of objects that live on while others come and go, each known as the very object.

    The object is held with what was made of it, so that no other can come to lie at its place.
    """

    def __init__(self, most: int) -> None:
        self._held: Held[tuple[object, T]] = Held(most)

    def get_or_make(self, of: object, key: Hashable, make: Callable[[], T]) -> T:
        """Return what was made of an object under a key, made where it is not there."""
        at = (id(of), key)
        kept = self._held.get(at)
        if kept is None or kept[0] is not of:
            kept = self._held.put(at, (of, make()))
        return kept[1]


@lru_cache(maxsize=2048)
def document_of(model: type[Kept], text: str) -> Kept:
    """Return the document that a text is: frozen, so that all may share it."""
    return model.model_validate_json(text)
