"""Write the released copy of the OpenAPI document: ``python -m tests.contracts``."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from api.app import create_app
from ingest.intake import Intake
from ingest.store import Book

OPENAPI = Path(__file__).resolve().parents[1] / "docs" / "contracts" / "openapi-v1.json"


def main() -> None:
    """Write it."""
    with tempfile.TemporaryDirectory() as folder, Book(Path(folder) / "book.db") as book:
        document = create_app(Intake(book)).openapi()
    text = json.dumps(document, indent=1, ensure_ascii=False, sort_keys=True)
    OPENAPI.write_text(text + "\n", "utf-8")


if __name__ == "__main__":
    main()
