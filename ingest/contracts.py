"""The released JSON Schemas, made from the models: ``python -m ingest.contracts FOLDER``.

A test makes them again and compares them with ``docs/contracts``: a change of shape cannot go
unseen, and within a version only additions are allowed.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from ingest.contract_shapes import ComputeShape, JudgeShape, ReadShape
from ingest.models import Boiler, LimitsDocument, Visit

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """Return every released schema by its file name."""
    made: dict[str, tuple[str, dict[str, Any]]] = {
        "read-1.json": ("fluebook.read/1", TypeAdapter(ReadShape).json_schema()),
        "judge-1.json": ("fluebook.judge/1", TypeAdapter(JudgeShape).json_schema()),
        "compute-1.json": ("fluebook.compute/1", TypeAdapter(ComputeShape).json_schema()),
        "visit.json": ("visit.json of a visit folder", Visit.model_json_schema()),
        "boiler.json": ("boiler.json of a visit folder", Boiler.model_json_schema()),
        "limits.json": ("limits of a company or a model", LimitsDocument.model_json_schema()),
    }
    return {
        name: {"$schema": DRAFT, **schema, "title": title} for name, (title, schema) in made.items()
    }


def text_of(schema: dict[str, Any]) -> str:
    """Return a schema as the text that is released."""
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def write(folder: Path) -> None:
    """Write every schema into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, schema in schemas().items():
        (folder / name).write_text(text_of(schema), encoding="utf-8")


if __name__ == "__main__":
    write(Path(sys.argv[1] if len(sys.argv) > 1 else "docs/contracts"))
