"""Webhooks: signed, held to the checked address, tried again, given up in the end."""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime, timedelta

import httpx
import pytest
import respx
from standardwebhooks import Webhook, WebhookVerificationError

from api.notify import Delivery, Outcome, attempt, next_attempt
from api.notify.delivery import WAITS

SECRET = "whsec_Zmx1ZWJvb2stdGVzdC1zZWNyZXQtMDAwMQ=="
BODY = json.dumps({"type": "visit.handed_in", "worst": "stop"})
DELIVERY = Delivery("msg_1", "https://receiver.example/hook?x=1", SECRET, BODY)
# 198.41.0.4 stands in for a public address.
PUBLIC = "198.41.0.4"


def public(host: str, port: int) -> list[str]:
    return [PUBLIC]


def tried(now: datetime) -> Outcome:
    with httpx.Client() as client:
        return attempt(DELIVERY, client, now, resolver=public)


@respx.mock
def test_message_goes_to_the_checked_address_under_its_own_name() -> None:
    route = respx.post(f"https://{PUBLIC}/hook", params={"x": "1"}).respond(204)
    assert tried(datetime.now(UTC)).result == "delivered"
    request = route.calls.last.request
    assert request.headers["host"] == "receiver.example"
    assert request.extensions["sni_hostname"] == "receiver.example"


@respx.mock
def test_signature_is_accepted_by_the_reference_library_and_breaks_with_the_body() -> None:
    route = respx.post(f"https://{PUBLIC}/hook").respond(200)
    tried(datetime.now(UTC))
    request = route.calls.last.request
    headers = dict(request.headers)
    assert Webhook(SECRET).verify(request.content, headers) == json.loads(BODY)
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(request.content.replace(b"stop", b"info"), headers)


@respx.mock
@pytest.mark.parametrize("status", [301, 400, 404, 429, 500, 503])
def test_any_answer_but_success_is_tried_again_and_no_redirect_followed(status: int) -> None:
    respx.post(f"https://{PUBLIC}/hook").respond(status, headers={"location": "http://10.0.0.1/"})
    outcome = tried(datetime.now(UTC))
    assert (outcome.result, outcome.status) == ("retry", status)


@respx.mock
def test_a_receiver_that_is_gone_is_not_tried_again() -> None:
    respx.post(f"https://{PUBLIC}/hook").respond(410)
    now = datetime.now(UTC)
    outcome = tried(now)
    assert outcome.result == "gone"
    assert next_attempt(1, now, outcome, random.Random(1)) is None


@respx.mock
@pytest.mark.parametrize(
    "fault", [httpx.ConnectError, httpx.ReadTimeout, httpx.RemoteProtocolError]
)
def test_a_network_fault_is_tried_again(fault: type[httpx.HTTPError]) -> None:
    respx.post(f"https://{PUBLIC}/hook").mock(side_effect=fault("broken"))
    assert tried(datetime.now(UTC)).result == "retry"


@respx.mock
def test_retry_after_is_respected_in_seconds_and_as_a_date() -> None:
    now = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
    respx.post(f"https://{PUBLIC}/hook").respond(503, headers={"retry-after": "7200"})
    assert tried(now).not_before == now + timedelta(hours=2)
    respx.post(f"https://{PUBLIC}/hook").respond(
        503, headers={"retry-after": "Wed, 25 Nov 2026 09:00:00 GMT"}
    )
    assert tried(now).not_before == now + timedelta(hours=1)


def test_waits_grow_with_jitter_and_end_on_the_dead_letter_list() -> None:
    now = datetime(2026, 11, 25, tzinfo=UTC)
    again = Outcome("retry", "")
    for tries, wait in enumerate(WAITS, start=1):
        for seed in range(50):
            due = next_attempt(tries, now, again, random.Random(seed))
            assert due is not None
            assert 0.8 * wait <= due - now <= 1.2 * wait
    assert next_attempt(len(WAITS) + 1, now, again, random.Random(1)) is None
