"""Pictures of a visit: taken in by page and API, refused in words, shown from the book."""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from pypdf import PdfReader
from starlette.testclient import TestClient

from ingest.intake import Intake
from ingest.intake_service import MAX_PHOTO, picture_type
from ingest.store import StateConflict, verify_file
from tests.api.report_case import png
from tests.api.test_api import upload
from tests.api.test_pages import HTML, Seen

PICTURE = png(40, 30)
OTHER = png(20, 30)


WEBP = base64.b64decode("UklGRiIAAABXRUJQVlA4IBYAAAAwAQCdASoBAAEADsD+JaQAA3AAAAAA")
"""One white dot."""


def post(client: TestClient, visit: str, data: bytes, name: str = "image.png") -> Any:
    return client.post(
        f"/v1/visits/{visit}/photos",
        files={"file": (name, data, "image/png")},
        data={"caption": "Burner head <before>"},
    )


def test_first_bytes_tell_the_kind_of_picture_whatever_it_is_called() -> None:
    # Signatures: PNG (ISO/IEC 15948, 5.2), JPEG (ITU-T T.81, SOI), WebP (RFC 9649, 2.4): memory.
    assert picture_type(PICTURE) == "image/png"
    assert picture_type(b"\xff\xd8\xff\xe0") == "image/jpeg"
    assert picture_type(b"RIFF\x10\0\0\0WEBPVP8 ") == "image/webp"
    for other in (b"", b"GIF89a", b"%PDF-1.7", b"<svg xmlns=", b"RIFF\x10\0\0\0WAVEfmt ", b"MZ"):
        assert picture_type(other) is None


def test_a_picture_is_kept_shown_and_in_the_report(
    client: TestClient, intake: Intake, visit: str
) -> None:
    assert upload(client, visit).status_code == 201
    first = post(client, visit, PICTURE)
    assert first.status_code == 201, first.text
    assert post(client, visit, OTHER).status_code == 201
    again = post(client, visit, PICTURE)
    assert again.status_code == 200
    assert again.json() == first.json() | {"already_there": True}
    sha256 = first.json()["sha256"]
    text = client.get(f"/visits/{visit}", headers=HTML).text
    assert f"/visits/{visit}/photos/{sha256}" in Seen(text).addresses
    assert "Burner head &lt;before&gt;" in text
    given = client.get(f"/visits/{visit}/photos/{sha256}")
    assert (given.content, given.headers["content-type"]) == (PICTURE, "image/png")
    assert given.headers["x-content-type-options"] == "nosniff"
    pdf = client.get(f"/v1/visits/{visit}/report.pdf")
    assert pdf.status_code == 200, pdf.text
    reader = PdfReader(io.BytesIO(pdf.content))
    assert sum(len(page.images) for page in reader.pages) == 2
    said = "".join(page.extract_text() for page in reader.pages)
    assert "image.png (2)" in said
    addresses = Seen(client.get(f"/visits/{visit}/report", headers=HTML).text).addresses
    assert len({a for a in addresses if "/photos/" in a}) == 2
    assert intake.book.verify() == []


def test_a_webp_picture_is_taken_and_set(client: TestClient, visit: str) -> None:
    assert upload(client, visit).status_code == 201
    assert post(client, visit, WEBP, "dot.webp").json()["media_type"] == "image/webp"
    assert client.get(f"/v1/visits/{visit}/report.pdf").status_code == 200


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"%PDF-1.7 not a picture", "it is no JPEG, PNG or WebP picture"),
        (b"", "it is no JPEG, PNG or WebP picture"),
        (PICTURE[:60], "it is damaged or was cut off on its way"),
    ],
)
def test_what_is_no_picture_is_refused_by_page_and_api(
    client: TestClient, intake: Intake, visit: str, data: bytes, words: str
) -> None:
    refused = post(client, visit, data)
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["message"] == words
    files = {"file": ("a.png", data, "image/png")}
    page = client.post(f"/visits/{visit}/photos", files=files, headers=HTML)
    assert page.status_code == 422
    assert words[1:] in page.text  # a sentence there, with its capital
    assert intake.visit(UUID(visit)).attachments == []


def test_a_picture_above_the_limit_is_refused(intake: Intake, visit: str) -> None:
    from ingest.intake import NotAPicture

    with pytest.raises(NotAPicture, match="larger than 12 MB"):
        intake.add_photo(UUID(visit), PICTURE + bytes(MAX_PHOTO), "a.png", "T. One")


def test_page_form_takes_a_picture_and_leads_back(client: TestClient, visit: str) -> None:
    answer = client.post(
        f"/visits/{visit}/photos",
        files={"file": ("a.png", PICTURE, "image/png")},
        data={"caption": "Trap"},
        follow_redirects=False,
    )
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/visits/{visit}#photos"
    assert 'alt="Trap"' in client.get(f"/visits/{visit}", headers=HTML).text


def test_no_picture_is_added_after_hand_in(
    client: TestClient, intake: Intake, visit: str, tmp_path: Path
) -> None:
    upload(client, visit)
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"}).status_code == 200
    with pytest.raises(StateConflict):
        intake.add_photo(UUID(visit), PICTURE, "a.png", "T. One")
    assert post(client, visit, PICTURE).status_code == 409
    assert verify_file(tmp_path / "book.db") == []
