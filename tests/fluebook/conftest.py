"""A field book and its office, each in a file of its own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.intake import Intake
from ingest.store import Book
from tests.fluebook.field_case import Office, running_office


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    with running_office(tmp_path / "office.db") as opened:
        yield opened


@pytest.fixture
def field(tmp_path: Path) -> Iterator[Intake]:
    with Book(tmp_path / "field.db") as book:
        yield Intake(book)
