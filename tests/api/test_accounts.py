"""Accounts, sessions and keys: who is let in, as whom, and how soon no longer."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.app import create_app
from api.doorkeeper import SESSION_COOKIE
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.models import Site
from ingest.store import Book
from tests.api.conftest import BOILER
from tests.clock import HandClock

PASSWORD = "seven cold burners"
FROM_HERE = {"Origin": "http://testserver", "Accept": "text/html"}


@pytest.fixture
def book_path(tmp_path: Path) -> Path:
    return tmp_path / "book.db"


@pytest.fixture
def door(book_path: Path, clock: HandClock) -> Iterator[TestClient]:
    with Book(book_path, clock=clock, durable=False) as book:
        app = create_app(Intake(book), Settings())
        with TestClient(app, raise_server_exceptions=False, follow_redirects=False) as client:
            yield client


def desk_of(door: TestClient):  # type: ignore[no-untyped-def]
    return door.app.state.desk  # type: ignore[attr-defined]


def signed_in(door: TestClient, name: str, role: str) -> None:
    desk = desk_of(door)
    _, token = desk.add_account(name, role, "test")
    account = desk.use_link(token, PASSWORD)
    door.cookies.set(SESSION_COOKIE, desk.begin_session(account))


def test_first_start_makes_the_administrator_once(door: TestClient) -> None:
    token = desk_of(door).first_start()
    shown = door.get(f"/first/{token}", headers=FROM_HERE)
    assert shown.status_code == 200
    assert "administrator" in shown.text
    form = {"name": "R. Calder", "password": PASSWORD, "again": PASSWORD}
    done = door.post(f"/first/{token}", data=form, headers=FROM_HERE)
    assert done.status_code == 303
    assert door.get("/accounts", headers=FROM_HERE).status_code == 200
    assert door.get(f"/first/{token}", headers=FROM_HERE).status_code == 410
    assert desk_of(door).first_start() is None


def test_the_first_link_ends_when_somebody_else_became_administrator(door: TestClient) -> None:
    desk = desk_of(door)
    older = desk.first_start()
    newer = desk.first_start()
    assert door.get(f"/first/{older}", headers=FROM_HERE).status_code == 410
    desk.use_link(newer, PASSWORD, "R. Calder")
    assert door.get(f"/first/{newer}", headers=FROM_HERE).status_code == 410


@pytest.mark.parametrize(
    ("password", "again", "said"),
    [
        ("short", "short", "at least 12"),
        (PASSWORD, "another one here", "not the same"),
        ("r. calder 2026!", "r. calder 2026!", "does not hold the name"),
        ("aaaaaaaaaaaaaa", "aaaaaaaaaaaaaa", "few characters"),
    ],
)
def test_a_weak_password_is_refused_and_the_link_stays(
    door: TestClient, password: str, again: str, said: str
) -> None:
    token = desk_of(door).first_start()
    form = {"name": "R. Calder", "password": password, "again": again}
    refused = door.post(f"/first/{token}", data=form, headers=FROM_HERE)
    assert refused.status_code == 422
    assert said in refused.text
    assert 'value="R. Calder"' in refused.text
    assert door.get(f"/first/{token}", headers=FROM_HERE).status_code == 200


def test_signing_in_and_out(door: TestClient) -> None:
    desk = desk_of(door)
    _, token = desk.add_account("J. Harrow", "technician", "test")
    desk.use_link(token, PASSWORD)
    sent = door.get("/due?until=2027-03", headers=FROM_HERE)
    assert sent.status_code == 303
    assert sent.headers["location"] == "/sign-in?to=/due%3Funtil%3D2027-03"
    form = {"name": "j. harrow", "password": PASSWORD, "to": "/due?until=2027-03"}
    let_in = door.post("/sign-in", data=form, headers=FROM_HERE)
    assert let_in.headers["location"] == "/due?until=2027-03"
    cookie = let_in.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=lax" in cookie
    assert door.get("/due?until=2027-03", headers=FROM_HERE).status_code == 200
    out = door.post("/sign-out", headers=FROM_HERE)
    assert out.status_code == 303
    kept = re.search(rf"{SESSION_COOKIE}=([^;]+)", cookie)
    assert kept is not None
    door.cookies.set(SESSION_COOKIE, kept[1])
    assert door.get("/due", headers=FROM_HERE).status_code == 303  # ended here, not only there


def test_a_wrong_password_and_no_such_name_look_the_same(door: TestClient) -> None:
    desk = desk_of(door)
    _, token = desk.add_account("J. Harrow", "technician", "test")
    desk.use_link(token, PASSWORD)
    answers = [
        door.post("/sign-in", data={"name": name, "password": "x" * 20}, headers=FROM_HERE)
        for name in ("J. Harrow", "Q. Nobody")
    ]
    assert [a.status_code for a in answers] == [401, 401]
    texts = [a.text.replace("J. Harrow", "").replace("Q. Nobody", "") for a in answers]
    assert texts[0] == texts[1]


def test_guessing_is_slowed_for_the_sender_and_for_the_name(door: TestClient) -> None:
    form = {"name": "J. Harrow", "password": "guessed wrongly"}
    got = [door.post("/sign-in", data=form, headers=FROM_HERE).status_code for _ in range(12)]
    assert got[:10] == [401] * 10
    assert got[10:] == [429] * 2


@pytest.mark.parametrize("to", ["//elsewhere.example/", "https://elsewhere.example/", "/\\else"])
def test_signing_in_leads_nowhere_else(door: TestClient, to: str) -> None:
    desk = desk_of(door)
    _, token = desk.add_account("J. Harrow", "technician", "test")
    desk.use_link(token, PASSWORD)
    form = {"name": "J. Harrow", "password": PASSWORD, "to": to}
    assert door.post("/sign-in", data=form, headers=FROM_HERE).headers["location"] == "/"


def test_a_form_that_does_not_say_where_it_comes_from_is_refused(door: TestClient) -> None:
    signed_in(door, "R. Calder", "administrator")
    assert door.post("/v1/boilers", json=BOILER).status_code == 403
    elsewhere = {"Origin": "http://elsewhere.example"}
    assert door.post("/v1/boilers", json=BOILER, headers=elsewhere).status_code == 403
    cross = {"Sec-Fetch-Site": "cross-site"}
    assert door.post("/v1/boilers", json=BOILER, headers=cross).status_code == 403
    assert door.post("/v1/boilers", json=BOILER, headers=FROM_HERE).status_code == 201


def test_whoever_works_at_boilers_finds_open_visits_before_the_office_s_list(
    door: TestClient,
) -> None:
    signed_in(door, "R. Calder", "administrator")
    boiler = door.post("/v1/boilers", json=BOILER, headers=FROM_HERE).json()["id"]
    door.post("/v1/visits", json={"boiler_id": boiler}, headers=FROM_HERE)
    for name, role in (("L. Sorrel", "reviewer"), ("J. Harrow", "technician")):
        signed_in(door, name, role)
        main = door.get("/", headers=FROM_HERE).text.partition("<main")[2]
        assert (main.index('id="open"') < main.index('id="count"')) is (role == "technician")
        assert main.count('id="open"') == 1


def test_only_who_may_accept_a_visit_is_asked_to(door: TestClient) -> None:
    signed_in(door, "R. Calder", "administrator")
    boiler = door.post("/v1/boilers", json=BOILER, headers=FROM_HERE).json()["id"]
    made = door.post("/v1/visits", json={"boiler_id": boiler}, headers=FROM_HERE).json()["id"]
    door.post(f"/v1/visits/{made}/hand-in", json={"who": "R. Calder"}, headers=FROM_HERE)
    for name, role in (("L. Sorrel", "reviewer"), ("J. Harrow", "technician")):
        signed_in(door, name, role)
        page = door.get(f"/visits/{made}", headers=FROM_HERE).text
        for act in ("accept", "send-back"):
            assert (f'action="/visits/{made}/{act}"' in page) is (role == "reviewer")
        assert ("This visit is handed in." in page) is (role == "technician")


def test_whoever_signed_in_signs_with_their_own_name(door: TestClient) -> None:
    signed_in(door, "R. Calder", "administrator")
    boiler = door.post("/v1/boilers", json=BOILER, headers=FROM_HERE).json()["id"]
    made = door.post("/v1/visits", json={"boiler_id": boiler}, headers=FROM_HERE).json()["id"]
    stated = {**FROM_HERE, "fluebook-who": "Somebody Else"}
    body = {"who": "Somebody Else"}
    assert door.post(f"/v1/visits/{made}/hand-in", json=body, headers=stated).status_code == 200
    intake = door.app.state.intake  # type: ignore[attr-defined]
    assert {line["who"] for line in intake.trail(made)} == {"R. Calder"}


def test_a_key_stands_beside_the_person_it_acts_for(door: TestClient) -> None:
    desk = desk_of(door)
    signed_in(door, "R. Calder", "administrator")
    door.cookies.clear()
    _, secret = desk.add_key("tablets", "test", role="administrator")
    headers = {"Authorization": f"Bearer {secret}", "fluebook-who": "R. Calder"}
    boiler = door.post("/v1/boilers", json=BOILER, headers=headers).json()["id"]
    made = door.post("/v1/visits", json={"boiler_id": boiler}, headers=headers).json()["id"]
    intake = door.app.state.intake  # type: ignore[attr-defined]
    assert {line["who"] for line in intake.trail(made)} == {"R. Calder (tablets)"}


def test_a_revoked_key_opens_nothing_from_its_next_request_on(door: TestClient) -> None:
    desk = desk_of(door)
    key, secret = desk.add_key("tablets", "test")
    headers = {"Authorization": f"Bearer {secret}"}
    assert door.get("/v1/me", headers=headers).json()["name"] == "tablets"
    desk.revoke_key(key.id, "test")
    refused = door.get("/v1/me", headers=headers)
    assert refused.status_code == 401
    assert refused.headers["www-authenticate"].startswith("Bearer")
    assert desk.all_keys()[0].last_used_at is not None


def test_a_key_and_a_session_end_by_themselves(door: TestClient, clock: HandClock) -> None:
    desk = desk_of(door)
    _, secret = desk.add_key("tablets", "test", ends_at="2026-11-04T00:00:00.000000Z")
    signed_in(door, "R. Calder", "administrator")
    session = door.cookies[SESSION_COOKIE]
    headers = {"Authorization": f"Bearer {secret}"}
    assert door.get("/v1/me", headers=headers).status_code == 200
    clock.now += timedelta(days=15)
    assert door.get("/v1/me", headers=headers).status_code == 401
    door.cookies.set(SESSION_COOKIE, session)
    assert door.get("/v1/me").status_code == 401


def test_closing_an_account_ends_its_sessions(door: TestClient) -> None:
    desk = desk_of(door)
    signed_in(door, "R. Calder", "administrator")
    account = desk.accounts()[0]
    desk.add_account("A. Second", "administrator", "test")
    with pytest.raises(Exception, match="last administrator"):
        desk.change_account(account.id, "test", role="administrator", printed_name="", closed=True)
    _, token = desk.add_account("A. Third", "administrator", "test")
    desk.use_link(token, PASSWORD)
    desk.change_account(account.id, "test", role="administrator", printed_name="", closed=True)
    assert door.get("/v1/me").status_code == 401


def test_no_secret_is_kept_as_it_is(door: TestClient, book_path: Path) -> None:
    desk = desk_of(door)
    signed_in(door, "R. Calder", "administrator")
    _, secret = desk.add_key("tablets", "test")
    link = desk.link_for(desk.accounts()[0].id, "test")
    door.app.state.intake.book.reader.execute("PRAGMA wal_checkpoint")  # type: ignore[attr-defined]
    kept = b"".join(p.read_bytes() for p in book_path.parent.iterdir() if p.is_file())
    for hidden in (PASSWORD, secret, link, door.cookies[SESSION_COOKIE]):
        assert hidden.encode() not in kept
    assert b"$argon2id$" in kept


def test_a_key_held_to_a_site_sees_nothing_else(door: TestClient) -> None:
    desk = desk_of(door)
    intake: Intake = door.app.state.intake  # type: ignore[attr-defined]
    here, there = new_id(), new_id()
    for site, name in ((here, "Here"), (there, "There")):
        intake.put_site(Site.model_validate({"id": site, "name": name}), "test")
    _, all_of_it = desk.add_key("all", "test", role="administrator")
    whole = {"Authorization": f"Bearer {all_of_it}"}
    boilers = [
        door.post("/v1/boilers", json={**BOILER, "site_id": str(s)}, headers=whole).json()["id"]
        for s in (here, there)
    ]
    visits = [
        door.post("/v1/visits", json={"boiler_id": b}, headers=whole).json()["id"] for b in boilers
    ]
    for visit in visits:
        data = b"O2 %,CO ppm,Stack temperature degF,rate %\n3.0,20,402.8,100\n"
        name = {"name": "a.csv", "phase": "as_left", "rates": "100"}
        url = f"/v1/visits/{visit}/files"
        sent = door.post(
            url,
            content=data + visit.encode() * 0,
            params=name,
            headers={**whole, "Content-Type": "text/csv"},
        )
        assert sent.status_code == 201, sent.text
    _, held = desk.add_key("held", "test", sites=[here])
    headers = {"Authorization": f"Bearer {held}"}
    assert [b["id"] for b in door.get("/v1/boilers", headers=headers).json()["boilers"]] == [
        boilers[0]
    ]
    assert len(door.get("/v1/sites", headers=headers).json()["sites"]) == 1
    for path, mine, theirs in (
        ("/v1/boilers/{}", boilers[0], boilers[1]),
        ("/v1/visits/{}", visits[0], visits[1]),
        ("/v1/sites/{}", here, there),
        ("/visits/{}/report", visits[0], visits[1]),
    ):
        assert door.get(path.format(mine), headers=headers).status_code == 200, path
        assert door.get(path.format(theirs), headers=headers).status_code == 404, path
    for body in ({"boiler_id": boilers[1]}, {"id": visits[1], "boiler_id": boilers[0]}):
        assert door.post("/v1/visits", json=body, headers=headers).status_code == 404
    moved = {**BOILER, "site_id": str(there)}
    assert door.put(f"/v1/boilers/{boilers[0]}", json=moved, headers=headers).status_code == 404
    review = door.get("/v1/flagged-visits?state=open&severity=info", headers=headers).json()
    assert visits[1] not in str(review)


def test_a_technician_changes_only_their_own_visits(door: TestClient) -> None:
    desk = desk_of(door)
    _, secret = desk.add_key("office", "test", role="administrator")
    office = {"Authorization": f"Bearer {secret}"}
    boiler = door.post("/v1/boilers", json=BOILER, headers=office).json()["id"]
    other = door.post(
        "/v1/visits", json={"boiler_id": boiler, "technician": "Q. Other"}, headers=office
    ).json()["id"]
    named = door.post(
        "/v1/visits", json={"boiler_id": boiler, "technician": "j. harrow"}, headers=office
    ).json()["id"]
    signed_in(door, "J. Harrow", "technician")
    own = door.post("/v1/visits", json={"boiler_id": boiler}, headers=FROM_HERE).json()["id"]
    body = {"boiler_id": boiler, "started": "2026-11-02T08:00:00+00:00", "technician": "J. Harrow"}
    for visit, status in ((own, 200), (named, 200), (other, 403)):
        for spelt in (visit, visit.upper(), visit.replace("-", "")):
            answer = door.put(f"/v1/visits/{spelt}", json=body, headers=FROM_HERE)
            assert answer.status_code == status, (spelt, answer.text)
    assert door.get(f"/v1/visits/{other}").status_code == 200
    assert door.post(f"/v1/visits/{own}/accept", json={}, headers=FROM_HERE).status_code == 403


def test_a_technician_takes_no_others_visit_by_naming_its_id(door: TestClient) -> None:
    desk = desk_of(door)
    _, secret = desk.add_key("office", "test", role="administrator")
    office = {"Authorization": f"Bearer {secret}"}
    boiler = door.post("/v1/boilers", json=BOILER, headers=office).json()["id"]
    kept = {"boiler_id": boiler, "technician": "Q. Other", "note": "the other's words"}
    other = door.post("/v1/visits", json=kept, headers=office).json()["id"]
    signed_in(door, "J. Harrow", "technician")
    body = {"id": other, "boiler_id": boiler, "technician": "J. Harrow"}
    readings = [{"values": {"o2_dry": 4}, "firing_rate": 100, "phase": "as_left"}]
    for taken in (body, {**body, "readings": readings}):
        assert door.post("/v1/visits", json=taken, headers=FROM_HERE).status_code == 403
    # The page's press that begins a visit names the id that a browser gave it.
    begun = door.post(f"/boilers/{boiler}/visits", data={"id": other}, headers=FROM_HERE)
    assert begun.headers["location"] == f"/visits/{other}"
    after = door.get(f"/v1/visits/{other}").json()
    assert {k: after["visit"][k] for k in kept} == kept
    assert after["points"] == []
    own = {**body, "id": str(new_id())}
    assert door.post("/v1/visits", json=own, headers=FROM_HERE).status_code == 201
    again = {**own, "note": "mine"}
    assert door.post("/v1/visits", json=again, headers=FROM_HERE).status_code == 201


def test_what_a_role_may_not_is_said_on_a_page_in_the_readers_language(door: TestClient) -> None:
    signed_in(door, "T. Vane", "technician")
    refused = door.get("/accounts?language=es", headers={"Accept": "text/html"})
    assert refused.status_code == 403
    assert refused.headers["content-type"].startswith("text/html")
    assert "Esto no corresponde al rol de técnico." in refused.text
    assert "This is not for" not in refused.text
    form = door.post("/limits", data={"why": "x"}, headers=FROM_HERE)
    assert (form.status_code, "técnico" in form.text) == (403, True)
    program = door.get("/accounts", headers={"Accept": "application/json"})
    assert program.status_code == 403
    assert program.json()["detail"] == "This is not for the role technician."


def test_too_many_requests_are_told_when_to_come_back(tmp_path: Path) -> None:
    with Book(tmp_path / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings(requests_a_minute=5))
        headers = {"Authorization": f"Bearer {app.state.desk.add_key('tablets', 'test')[1]}"}
        with TestClient(app) as client:
            got = [client.get("/v1/me", headers=headers) for _ in range(7)]
    assert [g.status_code for g in got] == [200] * 5 + [429] * 2
    assert 1 <= int(got[-1].headers["retry-after"]) <= 60


def test_the_page_makes_accounts_and_keys_and_shows_secrets_once(door: TestClient) -> None:
    signed_in(door, "R. Calder", "administrator")
    made = door.post(
        "/accounts", data={"name": "J. Harrow", "role": "technician"}, headers=FROM_HERE
    )
    link = re.search(r"http://testserver/first/[\w-]+", made.text)
    assert link is not None
    key = door.post(
        "/keys",
        data={"label": "tablets", "role": "integrator", "scopes": ["read", "write"]},
        headers=FROM_HERE,
    )
    secret = re.search(r"flk_[\w-]+", key.text)
    assert secret is not None
    again = door.get("/accounts", headers=FROM_HERE).text
    assert link[0] not in again and secret[0] not in again
    assert "J. Harrow" in again and "tablets" in again
    key_id = desk_of(door).all_keys()[0].id
    assert door.post(f"/keys/{key_id}/revoke", headers=FROM_HERE).status_code == 303
    door.cookies.clear()
    headers = {"Authorization": f"Bearer {secret[0]}"}
    assert door.get("/v1/me", headers=headers).status_code == 401


def test_an_account_made_by_the_api_is_answered_and_listed(client: TestClient) -> None:
    made = client.post("/v1/accounts", json={"name": "J. Harrow", "role": "technician"})
    assert made.status_code == 201, made.text
    listed = client.get("/v1/accounts").json()["accounts"]
    assert [(a["name"], a["language"], a["units"]) for a in listed] == [("J. Harrow", None, None)]
    one = client.get(f"/v1/accounts/{made.json()['id']}")
    assert one.json() == listed[0]
