"""Exports over HTTP are the files that the command writes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from ingest.export import FORMATS, KINDS, write_export
from ingest.intake import Intake
from tests.api.bodies import reading_body


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("form", FORMATS)
def test_a_file_over_http_is_the_one_written_here(
    client: TestClient, intake: Intake, visit: str, tmp_path: Path, kind: str, form: str
) -> None:
    client.post(f"/v1/visits/{visit}/readings", json=reading_body())
    answer = client.get(f"/v1/exports/{kind}.{form}")
    assert answer.status_code == 200, answer.text
    assert f"fluebook-{kind}.{form}" in answer.headers["content-disposition"]
    write_export(intake.book, kind, form, tmp_path / "here")  # type: ignore[arg-type]
    assert answer.content == (tmp_path / "here").read_bytes()


def test_filters_hold_and_nothing_is_left_behind(
    client: TestClient, visit: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    whole = client.get("/v1/exports/visits.csv").text
    none = client.get("/v1/exports/visits.csv", params={"state": "accepted"}).text
    assert (whole.count("\r\n"), none.count("\r\n")) == (2, 1)
    assert not list(tmp_path.glob("fluebook-export-*"))
    assert client.get("/v1/exports/visits.docx").status_code == 422
    assert client.get("/v1/exports/visits.csv", params={"colour": "red"}).status_code == 422
