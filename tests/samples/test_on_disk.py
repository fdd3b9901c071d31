"""The kept folders are what the cooperative makes, and every door finds the same flags in them."""

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
from ingest.documents import boiler_from, read_json_file, visit_from
from ingest.folder import reading_files
from ingest.intake import Intake
from ingest.store import Book
from samples.on_disk import HERE, last_visits, write_kept, write_visit

ROOT = HERE.parents[1]
FOLDERS = sorted(p for p in HERE.iterdir() if p.is_dir())


def files_under(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_kept_folders_are_what_the_cooperative_makes(tmp_path: Path) -> None:
    """Regenerate with ``python -m samples.on_disk`` after removing ``samples/visits``."""
    write_kept(tmp_path)
    assert files_under(tmp_path) == files_under(HERE)


def by_command(folder: Path) -> dict[str, Any]:
    shown = CliRunner().invoke(main, ["judge", str(folder), "--json"])
    assert shown.exit_code in (0, 1, 3), shown.output
    found: dict[str, Any] = json.loads(shown.stdout)
    return found


def uploaded(client: TestClient, folder: Path) -> dict[str, Any]:
    """Send a visit folder over HTTP; return the judgement after its last file."""
    document = json.loads((folder / "visit.json").read_text())
    rates = document.pop("rates")
    put = client.put(f"/v1/visits/{document['id']}", json=document)
    assert put.status_code == 200, put.text
    judgement: dict[str, Any] = {}
    paths = reading_files(folder)
    each = len(rates) // len(paths)
    for n, path in enumerate(paths):
        stated = {
            "rates": ",".join(str(r) for r in rates[n * each : (n + 1) * each]),
            "phase": "as_found" if "as_found" in path.name else "as_left",
        }
        answer = client.post(
            f"/v1/visits/{document['id']}/files",
            files={"file": (path.name, path.read_bytes(), "text/csv")},
            data=stated,
        )
        assert answer.status_code == 201, answer.text
        judgement = answer.json()["judgement"]
    return judgement


def by_http(folder: Path, book_at: Path) -> dict[str, Any]:
    with (
        Book(book_at, durable=False) as book,
        TestClient(create_app(Intake(book), Settings(alone=True))) as client,
    ):
        boiler = json.loads((folder / "boiler.json").read_text())
        assert client.put(f"/v1/boilers/{boiler['id']}", json=boiler).status_code == 200
        for earlier in sorted((folder / "history").iterdir()):
            uploaded(client, earlier)
            client.post(f"/v1/visits/{earlier.name}/hand-in", json={"who": "T"})
        return uploaded(client, folder)


@pytest.mark.parametrize("folder", FOLDERS, ids=[f.name for f in FOLDERS])
def test_http_and_command_give_the_same_judgement(folder: Path, tmp_path: Path) -> None:
    assert by_http(folder, tmp_path / "book.db") == by_command(folder)


def test_every_last_visit_is_judged_alike_with_its_whole_history(tmp_path: Path) -> None:
    for number, (unit, made, history) in enumerate(last_visits()):
        folder = tmp_path / f"visit-{number}"
        write_visit(folder, unit, made, history)
        assert by_http(folder, tmp_path / f"{number}.db") == by_command(folder), unit.boiler.name


@pytest.mark.parametrize("folder", FOLDERS, ids=[f.name for f in FOLDERS])
def test_documents_read_and_name_their_units(folder: Path) -> None:
    boiler = boiler_from(read_json_file(folder / "boiler.json"))
    visit = visit_from(read_json_file(folder / "visit.json"))
    assert visit.boiler_id == boiler.id
