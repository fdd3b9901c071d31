"""Every sample file gives the same flags by upload and by command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from api.app import create_app
from api.command import main
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from parsers import read

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
BOILER = SAMPLES / "first-look" / "boiler.json"
FILES = sorted([*SAMPLES.glob("*.csv"), *SAMPLES.glob("first-look/*.csv")])


def stated(file: Path) -> str:
    """Return the rates that a person would state: none where the file has them."""
    readings = read(file.read_bytes(), file.name).readings
    if all(r.firing_rate is not None for r in readings):
        return ""
    # A handful of snapshots is one at each rate; a log is taken at one rate here.
    few = len(readings) <= 5
    return ",".join(str(100 - 15 * n) for n in range(len(readings))) if few else "100"


def by_command(file: Path, rates: str) -> dict[str, Any]:
    given = ["judge", str(file), "--boiler", str(BOILER), "--phase", "as-left", "--json"]
    shown = CliRunner().invoke(main, given + (["--rates", rates] if rates else []))
    assert shown.exit_code in (0, 1, 3), shown.output
    found: dict[str, Any] = json.loads(shown.stdout)
    return found


def by_http(file: Path, rates: str, book_at: Path) -> dict[str, Any]:
    with (
        Book(book_at, durable=False) as book,
        TestClient(create_app(Intake(book), Settings(alone=True))) as client,
    ):
        boiler = client.post("/v1/boilers", json=json.loads(BOILER.read_text())).json()
        visit = client.post("/v1/visits", json={"boiler_id": boiler["id"]}).json()
        answer = client.post(
            f"/v1/visits/{visit['id']}/files",
            files={"file": (file.name, file.read_bytes(), "text/csv")},
            data={"rates": rates, "phase": "as_left"},
        )
        assert answer.status_code == 201, answer.text
        found: dict[str, Any] = answer.json()["judgement"]
        return found


def test_there_are_sample_files() -> None:
    assert len(FILES) >= 5


@pytest.mark.parametrize("file", FILES, ids=[f.name for f in FILES])
def test_upload_and_command_give_the_same_flags(file: Path, tmp_path: Path) -> None:
    rates = stated(file)
    command, http = by_command(file, rates), by_http(file, rates, tmp_path / "book.db")
    for found in (command, http):
        found.pop("visit")
    assert http == command
