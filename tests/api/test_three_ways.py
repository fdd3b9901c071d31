"""The demo's two-yearly visit by page, by command and by API: one report, byte for byte."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

import ingest.store.book as book_module
from api.app import create_app
from api.command import main
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book, verify_file
from samples.service import TECHNICIAN, filled_document, two_yearly_plan
from tests.api.report_case import png
from tests.api.test_pages import HTML
from tests.api.test_service_page import Fields

NOW = datetime(2026, 11, 20, 14, 30, tzinfo=UTC)
START = datetime(2026, 11, 20, 7, 30, tzinfo=UTC)
PLAN = two_yearly_plan()
CSV = b"O2 %,CO ppm,Stack temperature degC,Air temperature degC\n4.2,30,70,18\n6.1,12,52,18\n"
PHOTO = png(40, 30)
BOILER_ID, VISIT_ID = "0193a8f0-0000-7000-8000-00000000b011", "0193a8f0-0000-7000-8000-0000000000a1"
BOILER: dict[str, Any] = {
    "id": BOILER_ID,
    "name": "Boiler 2",
    "fuel": "natural_gas",
    "condensing": True,
    "rates": [100, 20],
    "installed": "2024-11-15",
    "plans": [PLAN.key],
}
OPENED: dict[str, Any] = {
    "id": VISIT_ID,
    "boiler_id": BOILER_ID,
    "started": START.isoformat(),
    "technician": TECHNICIAN,
    "adjusted": False,
    "instrument": {"serial": "A-17", "calibrated": "2026-05-02"},
}
DONE = "Drain re-hung at the next visit; pump checked."
OPTIONS = Settings(alone=True, units="si", company="Fjordheat Cooperative")


def filled() -> dict[str, Any]:
    """Return the visit's document: what the form signs by itself is signed at its saving."""
    record = filled_document(PLAN, START)
    now = NOW.isoformat()
    for entry in (*record["tasks"], *record["tests"], *record["light_offs"]):
        entry |= {"by": TECHNICIAN, "time": now}
    for bypass in record["bypasses"]:
        for key in ("placed", "removed"):
            bypass[key] = {"by": TECHNICIAN, "time": now}
    order = [t.key for t in PLAN.task]
    record["tasks"].sort(key=lambda entry: order.index(entry["task"]))
    # Every pressure as one manometer reads it.
    record["gas"] |= {
        "offset_low_fire": {"value": -0.012, "unit": "inWC"},
        "offset_high_fire": {"value": -0.032, "unit": "inWC"},
    }
    record["vent"]["outlet_draft"] = {"value": -0.05, "unit": "inWC"}
    record["findings"][0]["id"] = f"{NOW:%Y%m%d-%H%M%S}-0"
    # A form takes minutes; a trade's record does not need more.
    assert all(s["time"].endswith(":00+00:00") for s in record["steps"])
    read = (("arrival", 0), ("high_fire", 1), ("leaving", 1))
    room = [{"value": v, "when": when, "time": now} for when, v in read]
    return OPENED | {"service": record, "how_left": "running", "room_co": room}


@pytest.fixture(autouse=True)
def one_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        book_module.Book.__init__, "__kwdefaults__", {"clock": lambda: NOW, "durable": False}
    )


def client_of(book: Book) -> TestClient:
    return TestClient(create_app(Intake(book), OPTIONS))


def flag_of(client: TestClient) -> str:
    flags = client.get(f"/v1/visits/{VISIT_ID}").json()["judgement"]["flags"]
    return str(next(f["id"] for f in flags if f["rule"] == "finding_open"))


def pdf(client: TestClient) -> bytes:
    answer = client.get(f"/v1/visits/{VISIT_ID}/report.pdf?units=si")
    assert answer.status_code == 200, answer.text
    return answer.content


def by_api(place: Path) -> tuple[bytes, str]:
    with Book(place) as book, client_of(book) as client:
        who = {"Fluebook-Who": TECHNICIAN}
        assert client.put(f"/v1/boilers/{BOILER_ID}", json=BOILER).status_code == 200
        kept = client.put(f"/v1/visits/{VISIT_ID}", json=filled(), headers=who)
        assert kept.status_code == 200, kept.text
        at = f"/v1/visits/{VISIT_ID}"
        sent = {"file": ("log.csv", CSV)}
        form = {"rates": "100,20", "phase": "as_left"}
        assert client.post(f"{at}/files", files=sent, data=form, headers=who).status_code == 201
        picture, caption = {"file": ("burner head.png", PHOTO)}, {"caption": "burner head"}
        assert client.post(f"{at}/photos", files=picture, data=caption).status_code == 201
        body = {"who": TECHNICIAN, "handled": [{"flag": flag_of(client), "words": DONE}]}
        assert client.post(f"{at}/handled", json=body).status_code == 200
        signed = {"who": TECHNICIAN, "printed_name": "I. Brandvoll"}
        assert client.post(f"{at}/hand-in", json=signed).status_code == 200
        return pdf(client), document_of(client)


def document_of(client: TestClient) -> str:
    return json.dumps(client.get(f"/v1/visits/{VISIT_ID}").json()["visit"], sort_keys=True)


def by_page(place: Path, entries: dict[str, str]) -> tuple[bytes, str]:
    with Book(place) as book, client_of(book) as client:
        # The office plans the visit; everything else is typed, ticked and handed over on pages.
        assert client.put(f"/v1/boilers/{BOILER_ID}", json=BOILER).status_code == 200
        assert client.put(f"/v1/visits/{VISIT_ID}", json=OPENED).status_code == 200
        at = f"/visits/{VISIT_ID}"

        def post(path: str, data: dict[str, str], **more: Any) -> None:
            sent = client.post(
                f"{at}/{path}", data=data, headers=HTML, follow_redirects=False, **more
            )
            assert sent.status_code == 303, sent.text

        empty = Fields(client.get(f"{at}/service?plan={PLAN.key}&units=us", headers=HTML).text)
        assert set(entries) <= set(empty.names)
        own = {k: v for k, v in empty.sent.items() if k in ("version", "loaded")}
        post("service", empty.sent | entries | own | {"who": TECHNICIAN})
        post("files", {"rates": "100,20", "phase": "as_left"}, files={"file": ("log.csv", CSV)})
        post("photos", {"caption": "burner head"}, files={"file": ("burner head.png", PHOTO)})
        post("handled", {f"done.{flag_of(client)}": DONE, "who": TECHNICIAN})
        post("hand-in", {"who": TECHNICIAN, "printed_name": "I. Brandvoll"})
        return pdf(client), document_of(client)


def by_command(place: Path, folder: Path, flag: str) -> tuple[bytes, str]:
    folder.mkdir()
    done = [{"flag": flag, "words": DONE, "by": TECHNICIAN, "time": NOW.isoformat()}]
    (folder / "visit.json").write_text(json.dumps(filled() | {"handled": done}))
    (folder / "boiler.json").write_text(json.dumps(BOILER))
    (folder / "log.csv").write_bytes(CSV)
    (folder / "burner head.png").write_bytes(PHOTO)
    given = ["visit", str(folder), "--book", str(place), "--who", TECHNICIAN, "--hand-in"]
    given += ["--printed-name", "I. Brandvoll", "--rates", "100,20", "--phase", "as-left"]
    company = ["--company", OPTIONS.company, "--units", "si"]
    answer = CliRunner().invoke(main, [*given, *company])
    assert answer.exit_code == 0, answer.output
    out = place.with_suffix(".pdf")
    answer = CliRunner().invoke(
        main, ["report", VISIT_ID, "--book", str(place), "--out", str(out), *company]
    )
    assert answer.exit_code == 0, answer.output
    with Book(place) as book, client_of(book) as client:
        return out.read_bytes(), document_of(client)


def entries_of_filled(place: Path) -> dict[str, str]:
    """Return the form's fields as the filled visit fills them."""
    with Book(place) as book, client_of(book) as client:
        assert client.put(f"/v1/boilers/{BOILER_ID}", json=BOILER).status_code == 200
        assert client.put(f"/v1/visits/{VISIT_ID}", json=filled()).status_code == 200
        # The manometer reads inches of water: the form is filled in US units.
        text = client.get(f"/visits/{VISIT_ID}/service?units=us", headers=HTML).text
        sent = Fields(text).sent.items()
        return {k: v for k, v in sent if v and k not in ("version", "loaded")}


def test_page_command_and_api_give_one_report_byte_for_byte(tmp_path: Path) -> None:
    api, document = by_api(tmp_path / "api.db")
    entries = entries_of_filled(tmp_path / "typed.db")
    page, on_page = by_page(tmp_path / "page.db", entries)
    flag = json.loads(document)["handled"][0]["flag"]
    command, in_folder = by_command(tmp_path / "command.db", tmp_path / "visit", flag)
    given = json.loads(document)
    for name, text in (("page", on_page), ("command", in_folder)):
        found = json.loads(text)
        for key, value in given["service"].items():
            assert found["service"][key] == value, (name, key)
        assert found == given, name
    assert page == api
    assert command == api
    for name in ("api", "page", "command"):
        assert verify_file(tmp_path / f"{name}.db") == []
