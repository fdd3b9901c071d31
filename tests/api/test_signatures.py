"""Hand-in and acceptance on page and API: account, printed name, time, and what was signed."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from api.app import create_app
from api.command import main
from api.doorkeeper import SESSION_COOKIE
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book
from tests.api.conftest import BOILER
from tests.api.test_accounts import PASSWORD
from tests.api.test_api import upload

FROM_HERE = {"Origin": "http://testserver", "Accept": "text/html"}


def trail_of(client: TestClient, visit: str) -> list[dict[str, Any]]:
    intake: Intake = client.app.state.intake  # type: ignore[attr-defined]
    return intake.trail(visit)  # type: ignore[arg-type]


def test_the_api_signs_with_a_printed_name_and_the_reports_hash(
    client: TestClient, visit: str
) -> None:
    upload(client, visit)
    body = {"who": "T. One", "printed_name": "Tarn One, heating fitter"}
    assert client.post(f"/v1/visits/{visit}/hand-in", json=body).status_code == 200
    kept = client.post(f"/v1/visits/{visit}/report").json()
    body = {"who": "R. Two", "why": "Known; burner is off."}
    assert client.post(f"/v1/visits/{visit}/accept", json=body).status_code == 200
    lines = {line["action"]: line for line in trail_of(client, visit)}
    assert lines["handed_in"]["who"] == "T. One"
    assert lines["handed_in"]["details"]["printed_name"] == "Tarn One, heating fitter"
    assert lines["accepted"]["details"]["printed_name"] == "R. Two"
    for act in ("report_made", "handed_in", "accepted"):
        held = lines[act]["details"]
        said = held.get("report_sha256") or held["content_sha256"]
        assert (held["report_id"], said) == (kept["report_id"], kept["content_sha256"])
    assert [line["action"] for line in trail_of(client, visit)].count("report_made") == 1
    report = re.sub(r"\s+", " ", client.get(f"/visits/{visit}/report?units=us").text)
    assert "Tarn One, heating fitter" in report
    # Page and report lead to what was signed, each act with its name and time.
    digest = lines["accepted"]["details"]["report_sha256"]
    page = html.unescape(client.get(f"/visits/{visit}").text)
    listed = page[page.index('id="signed"') :]
    links = re.findall(rf'<a href="([^"]*signed={digest}[^"]*)">([^<]+)</a>', listed)
    assert [said.split(",")[0] for _address, said in links] == [
        "Handed in by Tarn One",
        "Accepted by R. Two",
    ]
    assert "US customary units, English" in listed
    in_report = re.findall(r'href="([^"]*signed=[^"]*)"', html.unescape(report))
    assert {address for address, _said in links} == set(in_report)
    assert client.get(in_report[0]).content.startswith(b"%PDF")
    assert f'href="/visits/{visit}"' in report


def test_a_signed_report_is_written_by_the_command(
    client: TestClient, visit: str, tmp_path: Path
) -> None:
    upload(client, visit)
    out, book = tmp_path / "signed.pdf", client.app.state.intake.book.path  # type: ignore[attr-defined]
    asked = ["report", visit, "--book", str(book), "--out", str(out), "--signed"]
    none = CliRunner().invoke(main, [*asked, "last"])
    assert (none.exit_code, out.exists()) == (2, False)
    assert "there is no report last in this book" in none.output
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"}).status_code == 200
    digest = trail_of(client, visit)[-1]["details"]["report_sha256"]
    for given in ("last", digest[:12], digest):
        done = CliRunner().invoke(main, [*asked, given])
        assert done.exit_code == 0, done.output
        assert done.output.endswith(f"as it was signed, content SHA-256 {digest}\n")
        address = f"/v1/visits/{visit}/report.pdf?signed={digest}"
        assert out.read_bytes() == client.get(address).content
    page = CliRunner().invoke(main, [*asked, "last", "--out", str(tmp_path / "signed.html")])
    assert page.exit_code == 64


@pytest.fixture
def door(tmp_path: Path) -> Iterator[TestClient]:
    with (
        Book(tmp_path / "book.db", durable=False) as book,
        TestClient(create_app(Intake(book), Settings()), follow_redirects=False) as client,
    ):
        yield client


def as_account(door: TestClient, name: str, role: str, printed: str) -> None:
    desk = door.app.state.desk  # type: ignore[attr-defined]
    _, token = desk.add_account(name, role, "test", printed_name=printed)
    door.cookies.set(SESSION_COOKIE, desk.begin_session(desk.use_link(token, PASSWORD)))


def test_who_is_signed_in_signs_with_the_accounts_printed_name(door: TestClient) -> None:
    as_account(door, "head", "administrator", "Runa Calder")
    boiler, visit = str(new_id()), str(new_id())
    from_here = {"Origin": "http://testserver"}
    assert door.put(f"/v1/boilers/{boiler}", json=BOILER, headers=from_here).status_code == 200
    document = {"boiler_id": boiler, "started": "2026-11-02T08:00:00+00:00", "adjusted": False}
    assert door.put(f"/v1/visits/{visit}", json=document, headers=from_here).status_code == 200
    page = door.get(f"/visits/{visit}", headers=FROM_HERE).text
    assert re.search(r'name="printed_name" value="Runa Calder"', page)
    # Left empty it is the account's own; another one may stand under the report.
    sent = door.post(f"/visits/{visit}/hand-in", data={"who": "x"}, headers=FROM_HERE)
    assert sent.status_code == 303, sent.text
    data = {"who": "x", "printed_name": "R. Calder, for the office", "why": "Seen."}
    assert door.post(f"/visits/{visit}/accept", data=data, headers=FROM_HERE).status_code == 303
    lines = {line["action"]: line for line in trail_of(door, visit)}
    assert {lines[a]["who"] for a in ("handed_in", "accepted")} == {"head"}
    assert lines["handed_in"]["details"]["printed_name"] == "Runa Calder"
    assert lines["accepted"]["details"]["printed_name"] == "R. Calder, for the office"
