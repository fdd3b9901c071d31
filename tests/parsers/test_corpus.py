"""The corpus of troubles and their pairs: no file wrong in silence, every recoverable one right."""

from __future__ import annotations

from tests.parsers.corpus import TROUBLES, cases, outcome


def test_every_file_of_the_corpus_is_right() -> None:
    found = cases()
    assert len(found) > 1000
    assert len(TROUBLES) > 50
    wrong = [(v, c.name, d[:1]) for c in found for v, d in (outcome(c),) if v != "right"]
    assert wrong == []
