"""Webhooks: signed, held to the checked address, tried again, given up in the end."""

from __future__ import annotations

import asyncio
import json
import random
from datetime import UTC, datetime, timedelta

import httpx
import pytest
import respx
from standardwebhooks import Webhook, WebhookVerificationError

from api.notify import Message, Outcome, attempt, next_attempt
from api.notify.delivery import KEPT_ANSWER, WAITS, new_client, signatures
from api.notify.destination import Resolver

SECRET = "whsec_Zmx1ZWJvb2stdGVzdC1zZWNyZXQtMDAwMQ=="
BODY = json.dumps({"type": "visit.handed_in", "worst": "stop"})
OLD = "whsec_Zmx1ZWJvb2stdGVzdC1zZWNyZXQtMDAwMA=="
MESSAGE = Message("msg_1", "https://receiver.example/hook?x=1", (SECRET,), BODY)
# 198.41.0.4 stands in for a public address.
PUBLIC = "198.41.0.4"


def public(host: str, port: int) -> list[str]:
    return [PUBLIC]


def tried(
    now: datetime, message: Message = MESSAGE, resolver: Resolver = public, timeout_s: float = 5
) -> Outcome:
    async def once() -> Outcome:
        async with new_client() as client:
            return await attempt(message, client, now, resolver=resolver, timeout_s=timeout_s)

    return asyncio.run(once())


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


@respx.mock
def test_both_secrets_sign_while_one_is_replaced() -> None:
    route = respx.post(f"https://{PUBLIC}/hook").respond(200)
    both = Message(MESSAGE.message_id, MESSAGE.url, (SECRET, OLD), BODY)
    tried(datetime.now(UTC), both)
    request = route.calls.last.request
    for secret in (SECRET, OLD):
        assert Webhook(secret).verify(request.content, dict(request.headers)) == json.loads(BODY)
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + "A" * 43 + "=").verify(request.content, dict(request.headers))


def test_reference_example_of_the_scheme_is_met() -> None:
    # Standard Webhooks, its libraries' shared test vector; status: memory.
    message = Message(
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "https://receiver.example/",
        ("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",),
        '{"test": 2432232314}',
    )
    moment = datetime.fromtimestamp(1614265330, UTC)
    assert signatures(message, moment) == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@respx.mock
def test_an_answer_is_kept_by_its_beginning_and_without_control_characters() -> None:
    respx.post(f"https://{PUBLIC}/hook").respond(500, text="line\r\n\x1b[31m" + "x" * 10_000)
    detail = tried(datetime.now(UTC)).detail
    assert len(detail) <= KEPT_ANSWER
    assert detail.isprintable()


@respx.mock
def test_a_second_address_is_tried_where_the_first_does_not_answer() -> None:
    respx.post("https://198.41.0.9/hook").mock(side_effect=httpx.ConnectError("unreachable"))
    respx.post(f"https://{PUBLIC}/hook").respond(204)
    outcome = tried(datetime.now(UTC), resolver=lambda host, port: ["198.41.0.9", PUBLIC])
    assert outcome.result == "delivered"


def test_a_name_that_answers_a_private_address_the_second_time_is_never_called() -> None:
    answers = [[PUBLIC], ["127.0.0.1"]]

    def rebinding(host: str, port: int) -> list[str]:
        return answers.pop(0)

    with respx.mock:
        respx.post(f"https://{PUBLIC}/hook").respond(500)
        assert tried(datetime.now(UTC), resolver=rebinding).status == 500
    assert tried(datetime.now(UTC), resolver=rebinding).result == "refused"


def test_a_name_that_does_not_resolve_just_now_is_tried_again() -> None:
    def down(host: str, port: int) -> list[str]:
        raise OSError("no name server answers")

    assert tried(datetime.now(UTC), resolver=down).result == "retry"


@respx.mock
@pytest.mark.parametrize("asked", ["soon", "-5", "\xb2", "9" * 400, "Wed, 99 Nov 2026"])
def test_a_strange_retry_after_changes_nothing(asked: str) -> None:
    headers = [(b"retry-after", asked.encode("latin-1"))]
    respx.post(f"https://{PUBLIC}/hook").respond(503, headers=headers)
    assert tried(datetime.now(UTC)).not_before is None
