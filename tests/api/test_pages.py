"""The pages over the real application: what is said first, what works without a script."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any
from urllib.parse import urlsplit

import pytest
from starlette.testclient import TestClient

from api.headers import CONTENT_POLICY
from ingest.identifiers import new_id
from ingest.intake import Intake
from tests.api.conftest import CSV
from tests.api.test_api import counted, upload

HTML = {"accept": "text/html"}


class Seen(HTMLParser):
    """Attributes that a strict policy forbids, and addresses that a page asks for."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.inline: list[str] = []
        self.addresses: list[str] = []
        self.ids: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "style" or name.startswith("on"):
                self.inline.append(f"{tag} {name}")
            if name in ("href", "src", "action"):
                self.addresses.append(value or "")
            if name == "id":
                self.ids.append(value or "")
        # A script of the package's own, by its address, is what the policy allows.
        own = str(dict(attrs).get("src") or "").startswith("/static/")
        if tag == "style" or (tag == "script" and not own):
            self.inline.append(tag)


def handed_in(client: TestClient, visit: str) -> None:
    assert upload(client, visit).status_code == 201
    assert client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T. One"}).status_code == 200


def test_nothing_inline_and_no_address_outside(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    for path in ("/", f"/visits/{visit}", "/nothing"):
        answer = client.get(path, headers=HTML)
        assert answer.headers["content-security-policy"] == CONTENT_POLICY
        seen = Seen(answer.text)
        assert seen.inline == []
        assert [a for a in seen.addresses if urlsplit(a).netloc] == []
        assert len(seen.ids) == len(set(seen.ids))
    assert "unsafe" not in CONTENT_POLICY


def test_every_address_of_a_page_answers(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    page = client.get(f"/visits/{visit}", headers=HTML)
    ids = set(Seen(page.text).ids)
    for address in set(Seen(page.text).addresses):
        if address.startswith("#"):
            assert address[1:] in ids
        elif not address.endswith(("/accept", "/send-back", "/hand-in", "/files", "/stand")):
            assert client.get(address, headers=HTML).status_code == 200, address
    style = client.get("/static/fluebook.css").text
    for font in re.findall(r'url\("([^"]+)"\)', style):
        assert client.get(f"/static/{font}").status_code == 200


def test_list_shows_the_worst_finding_as_a_sentence_with_its_number(
    client: TestClient, visit: str
) -> None:
    assert "Nothing waits for review." in client.get("/").text
    handed_in(client, visit)
    text = client.get("/").text
    # 900 * 20.9 / (20.9 - 3.0) = 1050.8 ppm air-free, the trade's standard form (memory).
    assert "CO air-free is 1051 ppm at 100 %" in text
    assert "1 visit waits with findings. 1 must not be left running." in text
    # The stop that nobody has taken stays at the head; the list itself holds nothing.
    assert 'class="visit edge' not in client.get("/?severity=check").text


def test_units_are_the_readers_choice_and_remembered(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    us = client.get(f"/visits/{visit}").text
    assert ">403</a>" in us
    assert "°F" in us
    si = client.get(f"/visits/{visit}?units=si").text
    assert ">206</a>" in si
    assert "°F" not in si
    assert "°F" not in client.get(f"/visits/{visit}").text  # remembered by cookie


def test_number_leads_to_its_line_of_the_file(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    text = client.get(f"/visits/{visit}").text
    anchor = re.search(r'<a href="#(f1-line-\d+)">403</a>', text)
    assert anchor is not None
    line = re.search(rf'<li id="{anchor.group(1)}"><span>2</span>([^<]*)</li>', text)
    assert line is not None
    assert line.group(1) == "3.0,900,402.8,63"
    sheet = text[text.index('id="sheet"') :]
    for key in ("co_air_free", "excess_air"):  # what is computed leads to what it is computed of
        row = sheet[sheet.index(f"/help/quantities/{key}") :].partition("</tr>")[0]
        assert f'href="#{anchor.group(1)}"' in row


def test_not_judged_stands_beside_the_verdict(client: TestClient, visit: str) -> None:
    handed_in(client, visit)
    text = client.get(f"/visits/{visit}").text
    said = re.search(r"(\d+) rules were not judged, for want of input", text)
    assert said is not None
    judgement = client.get(f"/v1/visits/{visit}").json()["judgement"]
    assert int(said.group(1)) == len(judgement["not_judged"])


def test_room_co_is_said_before_everything(client: TestClient, visit: str) -> None:
    document = client.get(f"/v1/visits/{visit}").json()["visit"]
    document["room_co"] = [{"value": 80, "when": "high_fire"}]
    assert client.put(f"/v1/visits/{visit}", json=document).status_code == 200
    upload(client, visit)
    main = client.get(f"/visits/{visit}").text.partition('<main id="main">')[2]
    words = re.sub(r"<[^>]+>|\s+", " ", main).split()
    assert " ".join(words[:6]) == "Carbon monoxide in the room. Leave"
    assert "ventilate" in words[7]


def test_no_page_calls_a_boiler_safe(client: TestClient, visit: str) -> None:
    calm = CSV.replace(b"900", b"9")
    upload(client, visit, calm)
    client.post(f"/v1/visits/{visit}/hand-in", json={"who": "T"})
    for path in ("/", f"/visits/{visit}"):
        text = client.get(path).text
        assert not re.search(r"\bsafe(ly)?\b", text, re.IGNORECASE)
        assert "licensed practice decide" in text


def test_wrong_file_comes_back_said_first_and_leaves_nothing(
    client: TestClient, intake: Intake, visit: str
) -> None:
    before = counted(intake)
    answer = client.post(
        f"/visits/{visit}/files",
        files={"file": ("x.csv", b"O2 %,Stack temperature\n3,402\n", "text/csv")},
        data={"rates": "", "phase": "as_left"},
    )
    assert answer.status_code == 422
    main = answer.text.partition('<main id="main">')[2]
    assert main.index("x.csv was not taken") < main.index("Service part")
    assert "Line 1, column 2" in main
    assert counted(intake) == before


def test_forms_do_the_whole_job_without_a_script(client: TestClient, visit: str) -> None:
    def form(action: str, **fields: str) -> Any:
        return client.post(f"/visits/{visit}/{action}", data=fields, follow_redirects=False)

    sent = client.post(
        f"/visits/{visit}/files",
        files={"file": ("x.csv", CSV, "text/csv")},
        data={"rates": "100 25", "phase": "as_left"},
        follow_redirects=False,
    )
    assert sent.status_code == 303
    assert form("accept", who="R", why="y").status_code == 409
    assert form("hand-in", who=" ").status_code == 422
    assert form("hand-in", who="T. One").status_code == 303
    assert form("send-back", who="R. Two", why="").status_code == 422
    assert form("send-back", who="R. Two", why="clean the burner").status_code == 303
    text = client.get(f"/visits/{visit}").text
    assert "sent back, by R. Two: clean the burner" in text
    assert form("hand-in", who="T. One").status_code == 303
    assert form("accept", who="R. Two", why="locked out").status_code == 303


def test_text_with_markup_shows_as_text(client: TestClient, visit: str) -> None:
    evil = '<script>alert("x")</script>'
    data = f"{evil}\nO2 %,CO ppm,Note\n3.0,9,{evil}\n".encode()
    answer = upload(client, visit, data, rates="100")
    assert answer.status_code == 201, answer.text
    client.post(f"/v1/visits/{visit}/hand-in", json={"who": evil})
    text = client.get(f"/visits/{visit}").text
    assert evil not in text
    assert "&lt;script&gt;" in text


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_form_of_another_site_is_refused(
    client: TestClient, intake: Intake, visit: str, headers: dict[str, str]
) -> None:
    before = counted(intake)
    answer = client.post(f"/visits/{visit}/hand-in", data={"who": "T"}, headers=headers)
    assert answer.status_code == 403
    assert counted(intake) == before


def test_unknown_pages_are_pages(client: TestClient) -> None:
    for path, status in (("/nothing", 404), (f"/visits/{new_id()}", 404), ("/visits/x", 422)):
        answer = client.get(path, headers=HTML)
        assert answer.status_code == status
        assert answer.headers["content-type"].startswith("text/html")
