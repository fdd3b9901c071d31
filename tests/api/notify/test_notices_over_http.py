"""Webhooks, undelivered messages, duty list and standing stops over API and pages."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from api.app import create_app
from api.command import main
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store.outbox import EVENTS
from tests.api.conftest import BOILER, CSV

HOOK: dict[str, Any] = {"url": "https://office.example/hook", "events": ["flag.stop"]}
HTML = {"accept": "text/html"}


@pytest.fixture
def client(intake: Intake) -> Iterator[TestClient]:
    # Without a courier: what is queued stays where the tests look for it.
    app = create_app(intake, Settings(alone=True, deliver=False))
    with TestClient(app, raise_server_exceptions=False) as opened:
        yield opened


def stopped(client: TestClient) -> str:
    boiler, visit = str(new_id()), str(new_id())
    assert client.put(f"/v1/boilers/{boiler}", json=BOILER).status_code == 200
    document = {"boiler_id": boiler, "started": "2026-11-02T08:00:00+00:00"}
    assert client.put(f"/v1/visits/{visit}", json=document).status_code == 200
    taken = client.post(
        f"/v1/visits/{visit}/files",
        files={"file": ("after.csv", CSV)},
        data={"rates": "100,25", "phase": "as_left"},
    )
    assert taken.status_code == 201
    done = client.post(f"/v1/visits/{visit}/hand-in", json={"who": "J. Harrow"})
    assert done.json()["judgement"]["worst"] == "stop"
    return visit


def test_the_secret_is_told_once(client: TestClient) -> None:
    made = client.post("/v1/webhooks", json=HOOK)
    assert made.status_code == 201
    secret = made.json()["secret"]
    assert re.fullmatch(r"whsec_[A-Za-z0-9+/]{43}=", secret)
    assert made.headers["cache-control"] == "no-store"
    address = made.headers["location"]
    rotated = client.post(f"{address}/rotate", json={"both_hours": 2}).json()
    assert rotated["secret"] != secret
    assert rotated["old_secret_ends"] is not None
    said = client.get(address).text + client.get("/v1/webhooks").text
    said += client.get(address.removeprefix("/v1")).text + client.get("/webhooks").text
    for one in (secret, rotated["secret"]):
        assert one.removeprefix("whsec_") not in said


@pytest.mark.parametrize(
    "wrong",
    [
        {"url": "http://office.example/"},
        {"url": "https://10.0.0.1/"},
        {"url": "https://u:p@office.example/"},
        {"url": "https://office.example:port/"},
        {"url": ""},
        {"events": []},
        {"events": ["visit.everything"]},
        {"colour": "blue"},
    ],
)
def test_an_address_or_event_that_cannot_be_is_refused(
    client: TestClient, wrong: dict[str, Any]
) -> None:
    answer = client.post("/v1/webhooks", json={**HOOK, **wrong})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"].startswith("/" + next(iter(wrong)))
    assert client.get("/v1/webhooks").json() == {"webhooks": []}


def test_a_change_on_an_old_version_is_refused_and_the_same_changes_nothing(
    client: TestClient,
) -> None:
    made = client.post("/v1/webhooks", json=HOOK)
    address, tag = made.headers["location"], made.headers["etag"]
    same = client.put(address, json=HOOK, headers={"if-match": tag})
    assert (same.status_code, same.headers["etag"]) == (200, tag)
    off = client.put(address, json={**HOOK, "active": False}, headers={"if-match": tag})
    assert off.json()["active"] is False
    late = client.put(address, json=HOOK, headers={"if-match": tag})
    assert late.status_code == 412
    assert client.post(f"{address}/test").status_code == 409
    assert client.delete(address).status_code == 204
    assert client.get(address).status_code == 404


def test_a_site_that_is_not_in_the_book_is_refused(client: TestClient) -> None:
    assert client.post("/v1/webhooks", json={**HOOK, "site_id": str(new_id())}).status_code == 404


def test_deliveries_are_listed_in_pages_with_their_content(client: TestClient) -> None:
    address = client.post("/v1/webhooks", json=HOOK).headers["location"]
    queued = [client.post(f"{address}/test").json()["delivery_id"] for _ in range(3)]
    first = client.get("/v1/deliveries", params={"limit": 2}).json()
    rest = client.get("/v1/deliveries", params={"limit": 2, "before": first["next"]}).json()
    assert [d["id"] for d in first["deliveries"] + rest["deliveries"]] == queued[::-1]
    assert rest["next"] is None
    one = client.get(f"/v1/deliveries/{queued[0]}").json()
    assert (one["content"]["type"], one["attempts"]) == ("webhook.test", [])
    assert client.post(f"/v1/deliveries/{queued[0]}/replay").status_code == 409


def test_dead_letters_are_replayed_one_and_all_over_api_and_page(
    client: TestClient, intake: Intake
) -> None:
    made = client.post("/v1/webhooks", json=HOOK)
    address = made.headers["location"]
    for _ in range(4):
        client.post(f"{address}/test")
    client.put(address, json={**HOOK, "active": False})
    dead = client.get("/v1/deliveries", params={"state": "dead"}).json()["deliveries"]
    assert {d["why"] for d in dead} == {"the webhook was switched off"}
    assert client.post(f"/v1/deliveries/{dead[0]['id']}/replay").status_code == 409
    shown = client.post(f"/webhooks/undelivered/{dead[0]['id']}", headers=HTML)
    assert shown.status_code == 409 and "switch it on first" in shown.text
    client.put(address, json=HOOK)
    assert client.post(f"/v1/deliveries/{dead[0]['id']}/replay").status_code == 202
    assert "Given up: 3" in client.get("/webhooks/undelivered").text
    client.post(f"/webhooks/undelivered/{dead[1]['id']}")
    assert client.post("/v1/deliveries/replay", json={}).json() == {"count": 2}
    assert client.post("/webhooks/undelivered", follow_redirects=False).status_code == 303
    assert intake.delivery_counts() == {"waiting": 4, "delivered": 0, "dead": 0, "discarded": 0}


def test_dead_letters_are_discarded_with_a_reason_over_api_page_and_command(
    client: TestClient, intake: Intake
) -> None:
    address = client.post("/v1/webhooks", json=HOOK).headers["location"]
    ids = [client.post(f"{address}/test").json()["delivery_id"] for _ in range(5)]
    client.put(address, json={**HOOK, "active": False})
    one = f"/v1/deliveries/{ids[0]}"
    for nothing in ({}, {"why": ""}, {"why": "  "}):
        assert client.post(f"{one}/discard", json=nothing).status_code == 422
    gone = client.post(f"{one}/discard", json={"why": "the receiver was sold"})
    assert gone.status_code == 200
    said = gone.json()
    assert (said["state"], said["discarded_why"]) == ("discarded", "the receiver was sold")
    assert said["discarded_by"] and said["discarded_at"] and said["content"]
    assert client.post(f"{one}/discard", json={"why": "again"}).status_code == 409
    page = f"/webhooks/undelivered/{ids[1]}/discard"
    shown = client.post(page, data={"why": " "}, headers=HTML)
    assert shown.status_code == 422 and "Say why it is discarded." in shown.text
    assert client.post(page, data={"why": "known"}).status_code == 200
    assert ids[1] not in client.get("/webhooks/undelivered", headers=HTML).text
    runner = CliRunner(env={"FLUEBOOK_BOOK": str(intake.book.path)})
    asked = ["deliver", "--discard", ids[2]]
    assert runner.invoke(main, asked).exit_code == 64
    assert runner.invoke(main, [*asked, "--why", "old"]).exit_code == 0
    # Replaying all leaves them; one that was discarded by mistake can be replayed alone.
    client.put(address, json=HOOK)
    assert client.post("/v1/deliveries/replay", json={}).json() == {"count": 2}
    assert client.post(f"{one}/replay").status_code == 202
    assert client.get(one).json()["discarded_at"] is None
    client.put(address, json={**HOOK, "active": False})
    assert client.post("/v1/deliveries/discard", json={"why": "moved"}).json() == {"count": 3}
    assert intake.delivery_counts() == {"waiting": 0, "delivered": 0, "dead": 0, "discarded": 5}
    lines = [line for line in reversed(intake.trail_lines()) if "discarded" in line["action"]]
    assert [line["details"]["why"] for line in lines] == [
        "the receiver was sold",
        "known",
        "old",
        "moved",
    ]
    assert intake.book.verify() == []


def test_a_webhook_is_made_changed_and_removed_on_pages(client: TestClient, intake: Intake) -> None:
    form = {"url": HOOK["url"], "name": "<b>office</b>", "events": ["flag.stop", "visit.accepted"]}
    made = client.post("/webhooks", data=form)
    assert made.status_code == 200 and "whsec_" in made.text
    assert "<b>office</b>" not in made.text
    (hook,) = intake.webhooks()
    assert hook.asked.events == ("flag.stop", "visit.accepted")
    here = f"/webhooks/{hook.id}"
    stale = client.post(here, data={**form, "active": "yes", "version": "7"})
    assert stale.status_code == 422 and "changed meanwhile" in stale.text
    client.post(here, data={**form, "events": ["visit.accepted"], "version": "1"})
    changed = intake.webhook(hook.id)
    assert (changed.asked.active, changed.asked.events) == (False, ("visit.accepted",))
    assert "whsec_" in client.post(f"{here}/rotate", data={"both_hours": "0"}).text
    assert client.post(f"{here}/test").status_code == 409
    assert client.post("/webhooks", data={**form, "url": "http://x.example"}).status_code == 422
    client.post(f"{here}/remove")
    assert intake.webhooks() == []


def test_the_duty_list_is_kept_over_the_api(client: TestClient) -> None:
    person = {"name": "J. Harrow", "email": "harrow@heat.example"}
    made = client.post("/v1/duty", json=person)
    assert made.status_code == 201
    address, tag = made.headers["location"], made.headers["etag"]
    changed = client.put(address, json={**person, "name": "J. H."}, headers={"if-match": tag})
    assert changed.json()["name"] == "J. H."
    assert client.put(address, json=person, headers={"if-match": tag}).status_code == 412
    assert client.post(f"{address}/test").status_code == 202
    assert [p["name"] for p in client.get("/v1/duty").json()["people"]] == ["J. H."]
    assert client.delete(address).status_code == 204
    assert client.delete(address).status_code == 404


@pytest.mark.parametrize(
    "wrong",
    [
        {"email": "a@b.example\r\nBcc: c@d.example"},
        {"email": "a@b.example, c@d.example"},
        {"email": "nobody"},
        {"name": "x <y@z.example>"},
        {"name": " \r\n "},
    ],
)
def test_a_name_or_address_that_could_become_a_header_is_refused(
    client: TestClient, wrong: dict[str, str], intake: Intake
) -> None:
    person = {"name": "J. Harrow", "email": "harrow@heat.example", **wrong}
    assert client.post("/v1/duty", json=person).status_code == 422
    assert client.post("/duty", data=person).status_code == 422
    assert intake.duty_list() == []


def test_the_duty_list_is_kept_on_the_page(client: TestClient, intake: Intake) -> None:
    person = {"name": "J. Harrow", "email": "harrow@heat.example"}
    client.post("/duty", data=person)
    (there,) = intake.duty_list()
    client.post(f"/duty/{there.id}", data={**person, "email": "other@heat.example"})
    assert [p.email for p in intake.duty_list()] == ["other@heat.example"]
    client.post(f"/duty/{there.id}/test")
    assert "duty.test" in client.get("/duty").text
    client.post(f"/duty/{there.id}/remove")
    assert intake.duty_list() == []


def test_a_stop_stays_on_top_until_a_person_takes_it_by_name(
    client: TestClient, intake: Intake
) -> None:
    visit = stopped(client)
    (stop,) = client.get("/v1/standing-stops").json()["stops"]
    assert (stop["visit_id"], stop["handed_in_by"]) == (visit, "J. Harrow")
    assert stop["flags"][0]["rule"]
    for where in ("/", "/?severity=fix", "/?text=nothing"):
        assert "Needs a person: 1" in client.get(where).text
    # Neither going back nor being accepted takes it off.
    client.post(f"/v1/visits/{visit}/send-back", json={"who": "A. Merrow", "why": "again"})
    assert "Needs a person: 1" in client.get("/").text
    client.post(f"/v1/visits/{visit}/hand-in", json={"who": "J. Harrow"})
    client.post(f"/v1/visits/{visit}/accept", json={"who": "A. Merrow", "why": "seen"})
    assert len(client.get("/v1/standing-stops").json()["stops"]) == 1
    nobody = client.post(f"/v1/visits/{visit}/take-stop", json={})
    assert nobody.status_code == 422
    took = client.post(
        f"/v1/visits/{visit}/take-stop", json={"who": "A. Merrow", "why": "closed the gas valve"}
    )
    assert took.json() == {"visit_id": visit, "taken_by": "A. Merrow"}
    late = client.post(f"/v1/visits/{visit}/take-stop", json={"who": "J. Harrow"})
    assert late.status_code == 409 and "A. Merrow took this stop" in late.json()["detail"]
    assert "Needs a person" not in client.get("/").text
    line = intake.trail(stop_id(visit))[-1]
    assert (line["action"], line["who"]) == ("stop_taken", "A. Merrow")
    assert line["details"] == {"words": "closed the gas valve"}
    assert intake.book.verify() == []


def stop_id(visit: str) -> Any:
    from uuid import UUID

    return UUID(visit)


def test_a_stop_is_taken_on_the_page(client: TestClient, intake: Intake) -> None:
    visit = stopped(client)
    assert client.post(f"/visits/{visit}/take-stop", data={"who": " "}).status_code == 422
    done = client.post(
        f"/visits/{visit}/take-stop", data={"who": "A. Merrow"}, follow_redirects=False
    )
    assert done.status_code == 303
    assert intake.standing_stops() == []
    assert client.post(f"/visits/{visit}/take-stop", data={"who": "B"}).status_code == 409


def test_a_visit_without_a_stop_has_nothing_to_take(client: TestClient) -> None:
    visit = client.post("/v1/visits", json={}).json()["id"]
    answer = client.post(f"/v1/visits/{visit}/take-stop", json={"who": "A"})
    assert answer.status_code == 409
    missing = client.post(f"/v1/visits/{new_id()}/take-stop", json={"who": "A"})
    assert missing.status_code == 404


def test_every_event_stands_in_the_openapi_document(client: TestClient) -> None:
    document = client.get("/v1/openapi.json").json()
    assert set(document["webhooks"]) == set(EVENTS)
    assert "Event" in document["components"]["schemas"]


def test_the_server_delivers_by_itself(intake: Intake) -> None:
    import time

    from tests.api.notify.receiver import Receiver

    settings = Settings(alone=True, webhook_allow_private=True)
    with Receiver() as there, TestClient(create_app(intake, settings)) as client:
        made = client.post("/v1/webhooks", json={**HOOK, "url": there.url}).json()
        client.post(f"/v1/webhooks/{made['id']}/test")
        until = time.monotonic() + 10
        while not there.seen and time.monotonic() < until:
            time.sleep(0.05)
        assert there.seen[0].verified(made["secret"])["type"] == "webhook.test"


def test_a_program_takes_a_stop_only_for_a_person_that_it_names(intake: Intake) -> None:
    app = create_app(intake, Settings(deliver=False))
    _, secret = app.state.desk.add_key("pager", "A. Merrow", role="reviewer")
    with TestClient(create_app(intake, Settings(alone=True, deliver=False))) as office:
        visit = stopped(office)
    with TestClient(app, headers={"authorization": f"Bearer {secret}"}) as program:
        take = f"/v1/visits/{visit}/take-stop"
        assert program.post(take, json={"why": "on it"}).status_code == 422
        assert program.post(take, json={"who": "J. Harrow"}).json()["taken_by"] == (
            "J. Harrow (pager)"
        )
