"""What an unfriendly or unlucky sender tries: harmless, and told so."""

from __future__ import annotations

import gzip
import io
import json
import socket
import threading
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.pages.numbers import typed_number
from api.settings import Settings
from ingest.intake import Intake
from ingest.store import Book
from tests.api.conftest import BOILER, CSV
from tests.serving import serving

MARKUP = '<script>alert("x")</script><img src=x onerror=alert(1)>'
SQL = "x'); DROP TABLE visit; --"
SUM, WORKED_OUT = "{{ 7919 * 7927 }}", "62773913"
"""Two primes: what a template would make of them stands in no id or hash by chance."""


@pytest.fixture
def server(tmp_path: Path) -> Iterator[str]:
    with Book(tmp_path / "book.db") as book:
        app = create_app(Intake(book), Settings(alone=True, max_upload=1024 * 1024))
        with serving(app) as address:
            yield address


def test_two_reviewers_at_one_instant_one_wins_and_the_other_is_told(
    client: TestClient, visit: str
) -> None:
    for number in range(5):
        client.post(f"/v1/visits/{visit}/readings", json=reading(number))
        assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "J."}).is_success
        version = client.get(f"/v1/visits/{visit}").headers["etag"]
        start = threading.Barrier(2)
        got: dict[str, Any] = {}

        def decide(
            act: str,
            start: threading.Barrier = start,
            got: dict[str, Any] = got,
            version: str = version,
        ) -> None:
            start.wait()
            got[act] = client.post(
                f"/v1/visits/{visit}/{act}",
                json={"who": act, "why": "seen"},
                headers={"If-Match": version},
            )

        both = [threading.Thread(target=decide, args=(a,)) for a in ("accept", "send-back")]
        for one in both:
            one.start()
        for one in both:
            one.join()
        statuses = sorted(answer.status_code for answer in got.values())
        assert statuses[0] == 200 and statuses[1] in (409, 412), statuses
        if got["accept"].status_code == 200:
            break
    told = next(a for a in got.values() if a.status_code != 200).json()
    assert told["type"] in ("/problems/changed-meanwhile", "/problems/conflict")


def reading(number: int) -> dict[str, Any]:
    values = {"o2_dry": 4.0 + number / 10, "co_dry": 20}
    return {"readings": [{"values": values, "firing_rate": 100, "phase": "as_left"}]}


@pytest.mark.parametrize("name", ["../../etc/passwd", "a/b\\c.csv", MARKUP, SQL])
def test_a_file_name_is_a_name_and_nothing_else(
    client: TestClient, visit: str, name: str, tmp_path: Path
) -> None:
    sent = client.post(
        f"/v1/visits/{visit}/files",
        params={"name": name, "rates": "100,25", "phase": "as_left"},
        content=CSV,
        headers={"Content-Type": "text/csv"},
    )
    assert sent.status_code in (201, 422), sent.text
    page = client.get(f"/visits/{visit}").text
    assert "<script>alert" not in page and "<img src=x" not in page
    assert not list(tmp_path.rglob("passwd"))
    assert client.get(f"/v1/visits/{visit}").status_code == 200


TURNED = "B-1\u202e mpp 9\x07\x1b[31m\u2028"
NO_GLYPH = "B-1 \U0001f525 \u4e2d \u0644\u0627 \ue123"


@pytest.mark.parametrize("text", [MARKUP, SQL, "=1+1", SUM, "%s%n", TURNED, NO_GLYPH, "W" * 200])
def test_text_shows_as_text(client: TestClient, text: str) -> None:
    boiler = client.post("/v1/boilers", json={**BOILER, "name": text})
    assert boiler.status_code == 201, boiler.text
    document = {"boiler_id": boiler.json()["id"], "technician": text, "note": text}
    visit = client.post("/v1/visits", json=document).json()["id"]
    for address in (f"/visits/{visit}", "/", f"/visits/{visit}/report", "/?text=" + SQL):
        page = client.get(address)
        assert page.status_code == 200
        assert "<script>alert" not in page.text and "<img src=x" not in page.text
        assert WORKED_OUT not in page.text
        assert not set("\u202e\x07\x1b\u2028") & set(page.text)
    assert client.get(f"/v1/visits/{visit}").json()["visit"]["note"] == text
    report = client.get(f"/v1/visits/{visit}/report.pdf")
    assert report.status_code == 200 and report.content.startswith(b"%PDF"), report.text[:500]
    assert len(client.get("/v1/boilers").json()["boilers"]) == 1


def test_a_packed_file_that_would_unpack_to_gigabytes_is_refused(
    client: TestClient, visit: str
) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("readings.csv", b"0," * (200 * 1024 * 1024))
    assert len(packed.getvalue()) < 1024 * 1024
    sent = client.post(
        f"/v1/visits/{visit}/files", params={"name": "a.zip"}, content=packed.getvalue()
    )
    assert sent.status_code == 422
    assert client.get(f"/v1/visits/{visit}").json()["files"] == []


def test_five_gigabytes_are_refused_before_they_are_sent(server: str) -> None:
    host, _, port = server.removeprefix("http://").rstrip("/").partition(":")
    with socket.create_connection((host, int(port)), timeout=20) as link:
        link.sendall(
            f"POST /v1/boilers HTTP/1.1\r\nHost: {host}:{port}\r\nContent-Length: "
            f"{5 * 1024**3}\r\n\r\n".encode()
        )
        assert b" 413 " in link.recv(4096).split(b"\r\n")[0]


def test_a_body_that_never_says_how_long_it_is_is_cut_off(server: str) -> None:
    host, _, port = server.removeprefix("http://").rstrip("/").partition(":")
    chunk = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
    with socket.create_connection((host, int(port)), timeout=20) as link:
        head = f"POST /v1/boilers HTTP/1.1\r\nHost: {host}:{port}\r\n"
        link.sendall(f"{head}Transfer-Encoding: chunked\r\n\r\n".encode())
        answer = b""
        try:
            for _ in range(200):
                link.sendall(chunk)
            answer = link.recv(4096)
        except (BrokenPipeError, ConnectionResetError):
            return  # closed in the middle: refused as well
        assert b" 413 " in answer.split(b"\r\n")[0]


@pytest.mark.parametrize(
    "body",
    [b"[" * 100_000, b'{"name": NaN}', b'{"a":' * 5000 + b"1" + b"}" * 5000, b"\xff\xfe\x00"],
)
def test_json_that_is_none_is_refused(client: TestClient, body: bytes) -> None:
    sent = client.post("/v1/boilers", content=body, headers={"Content-Type": "application/json"})
    assert 400 <= sent.status_code < 500, sent.text


@pytest.mark.parametrize(
    ("place", "body"),
    [
        ("/v1/boilers", '{"name": "\\ud800", "fuel": "natural_gas"}'),
        ("/v1/boilers", '{"name": "a", "fuel": "\\udfff"}'),
        ("/v1/boilers", '{"name": "a", "fuel": "natural_gas", "\\ud800": 1}'),
        ("/v1/visits/{visit}/readings", '{"readings": [{"values": {"o2_dry": "\\ud800"}}]}'),
        ("/v1/visits/{visit}/hand-in", '{"who": "\\ud800"}'),
        (
            "/v1/visits/{visit}/handled",
            '{"who": "a", "handled": [{"flag": "\\ud800", "words": "b"}]}',
        ),
        ("/v1/judge", '{"visit": {"note": "\\ud800"}}'),
    ],
)
def test_half_a_character_is_refused_and_not_stored(
    client: TestClient, visit: str, place: str, body: str
) -> None:
    before = client.get("/v1/boilers").json()
    headers = {"Content-Type": "application/json"}
    sent = client.post(place.format(visit=visit), content=body, headers=headers)
    assert 400 <= sent.status_code < 500, sent.text
    assert sent.json()["type"].startswith("/problems/")
    assert client.get("/v1/boilers").json() == before
    assert client.get(f"/v1/visits/{visit}").json()["state"] == "open"


@pytest.mark.parametrize(
    ("place", "body", "pointer"),
    [
        ("/v1/boilers", {"name": "B\0"}, "/name"),
        ("/v1/sites", {"name": "Quay", "address": "\0"}, "/address"),
        ("/v1/visits", {"instrument": {"name": "a\0b"}}, "/instrument/name"),
        ("/v1/visits/{visit}/hand-in", {"who": "J.\0"}, None),
        (
            "/v1/webhooks",
            {"url": "https://a.example/", "events": ["visit.accepted"], "name": "\0"},
            "/name",
        ),
        ("/v1/maps", {"fields": [{"name": "a\0", "fluebook:quantity": "o2_dry"}]}, None),
    ],
)
def test_a_null_character_is_refused_and_not_stored(
    client: TestClient, visit: str, place: str, body: dict[str, Any], pointer: str | None
) -> None:
    trail = client.get("/audit").text
    sent = client.post(place.format(visit=visit), json=body)
    assert sent.status_code == 422, sent.text
    (item,) = sent.json()["errors"]
    assert item["message"].endswith("holds a null character")
    assert pointer is None or item["pointer"] == pointer
    assert client.get("/audit").text == trail
    # Six characters that only spell it are text like any other.
    assert client.post("/v1/boilers", json={"name": "\\u0000"}).json()["name"] == "\\u0000"


def test_a_null_character_in_a_file_s_name_is_refused(client: TestClient, visit: str) -> None:
    asked = {"name": "a\0.csv", "rates": "100,25", "phase": "as_left"}
    sent = client.post(f"/v1/visits/{visit}/files", params=asked, content=CSV)
    assert sent.status_code == 422 and "null character" in sent.text
    assert client.get(f"/v1/visits/{visit}").json()["files"] == []


@pytest.mark.parametrize(
    "number",
    [
        1e308,
        -1e308,
        1e13,
        10**400,
        True,
        float("nan"),
        float("-inf"),
        "nan",
        {"value": 1e308, "unit": "%"},
        {"value": True, "unit": "%"},
        {"value": "5", "unit": "%"},
        "1e308 %",
    ],
    ids=repr,
)
def test_a_number_that_nothing_measures_is_refused(
    client: TestClient, visit: str, number: Any
) -> None:
    one = {"values": {"o2_dry": number}, "firing_rate": 100, "phase": "as_left"}
    body = json.dumps({"readings": [one, one]})  # writes NaN and -Infinity as they are
    headers = {"Content-Type": "application/json"}
    sent = client.post(f"/v1/visits/{visit}/readings", content=body, headers=headers)
    assert sent.status_code == 422, sent.text
    assert sent.json()["errors"][0]["pointer"].startswith("/readings/0/values/o2_dry")


@pytest.mark.parametrize("text", ["1e308", "-1e13", "nan", "inf", "1_0", "true", "0x10", "9" * 400])
def test_a_number_in_a_form_is_one(client: TestClient, visit: str, text: str) -> None:
    with pytest.raises(ValueError):
        typed_number(text)
    form = {"o2_dry": text, "rate": "100", "phase": "as_left", "who": "J."}
    sent = client.post(f"/visits/{visit}/readings", data=form)
    assert sent.status_code == 422, sent.text
    assert client.get(f"/v1/visits/{visit}").json()["points"] == []


def test_a_body_packed_on_its_way_is_not_taken(client: TestClient, visit: str) -> None:
    """RFC 9110, 15.5.16 (memory): 415, with Accept-Encoding saying what would be taken."""
    for where, body in (
        (f"/v1/visits/{visit}/files?name=a.csv", CSV),
        ("/v1/boilers", json.dumps(BOILER).encode()),
    ):
        for coding in ("gzip", "br", "gzip, gzip"):
            sent = client.post(
                where, content=gzip.compress(body), headers={"Content-Encoding": coding}
            )
            assert sent.status_code == 415
            assert sent.headers["accept-encoding"] == "identity"
            (item,) = sent.json()["errors"]
            assert item["parameter"] == "Content-Encoding"
            assert "without Content-Encoding" in item["next_step"]
    assert client.get(f"/v1/visits/{visit}").json()["files"] == []
    plain = client.post(
        "/v1/boilers",
        content=json.dumps({**BOILER, "id": "01930000-0000-7000-8000-000000000009"}),
        headers={"Content-Encoding": "identity", "Content-Type": "application/json"},
    )
    assert plain.status_code < 300, plain.text


@pytest.mark.parametrize("coding", ["quoted-printable", "base64", "x-none"])
def test_a_file_written_otherwise_within_its_form_is_not_kept(
    client: TestClient, visit: str, coding: str
) -> None:
    def sent(name: str) -> Any:
        part = (
            b'--b\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n'
            b"Content-Transfer-Encoding: " + name.encode() + b"\r\n\r\n" + CSV + b"\r\n--b--\r\n"
        )
        return client.post(
            f"/v1/visits/{visit}/files",
            content=part,
            headers={"Content-Type": "multipart/form-data; boundary=b"},
        )

    refused = sent(coding)
    assert refused.status_code == 415
    assert "without Content-Transfer-Encoding" in refused.json()["errors"][0]["expected"]
    assert client.get(f"/v1/visits/{visit}").json()["files"] == []
    assert sent("binary").status_code != 415
