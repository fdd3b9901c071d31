"""A boiler's page says which service plans keep it, and lets it name its own or none."""

from __future__ import annotations

import html
import re
from typing import Any

from starlette.testclient import TestClient

from ingest.identifiers import new_id
from tests.api.conftest import BOILER
from tests.api.test_life import client  # noqa: F401 - fixture
from tests.api.test_plans_pages import DEEP, PLANS, YEARLY

KIND = {"condensing": True}
OIL = next(p for p in PLANS.values() if "no2_oil" in p.fuels and p.purpose == "yearly")


def boiler(client: TestClient, **more: Any) -> str:  # noqa: F811
    identity = str(new_id())
    made = client.put(
        f"/v1/boilers/{identity}", json={**BOILER, "name": "Boiler 7", **KIND, **more}
    )
    assert made.status_code == 200, made.text
    return identity


def shown(client: TestClient, identity: str) -> str:  # noqa: F811
    page = html.unescape(client.get(f"/boilers/{identity}").text)
    found = re.search(r'<section aria-labelledby="plans">.*?</section>', page, re.S)
    assert found is not None
    return found.group(0)


def choose(client: TestClient, identity: str, *keys: str, **more: Any) -> Any:  # noqa: F811
    (version,) = re.findall(r'name="version" value="(\d+)"', shown(client, identity))
    form = {"plan": list(keys), "who": "R. Two", "version": version, **more}
    return client.post(f"/boilers/{identity}/plans", data=form, follow_redirects=False)


def named(client: TestClient, identity: str) -> list[str]:  # noqa: F811
    return list(client.get(f"/v1/boilers/{identity}").json()["plans"])


def test_a_boiler_names_its_plans_and_is_freed_of_them(client: TestClient) -> None:  # noqa: F811
    identity = boiler(client)
    before = client.get(f"/v1/boilers/{identity}").json()
    none = shown(client, identity)
    assert f"those of its kind keep it: {DEEP.title}, {YEARLY.title}." in none
    assert OIL.title not in none  # no plan for another fuel is offered
    chosen = choose(client, identity, DEEP.key, DEEP.key)
    assert (chosen.status_code, chosen.headers["location"]) == (303, f"/boilers/{identity}#plans")
    assert client.get(f"/v1/boilers/{identity}").json() == {**before, "plans": [DEEP.key]}
    assert f"It names its own: {DEEP.title}." in shown(client, identity)
    assert re.search(rf'value="{DEEP.key}" checked', shown(client, identity))
    assert choose(client, identity, DEEP.key).status_code == 303  # the same again
    assert choose(client, identity).status_code == 303
    assert client.get(f"/v1/boilers/{identity}").json() == before
    lines = client.app.state.intake.trail_lines()  # type: ignore[attr-defined]
    told = [(x["who"], x["details"]) for x in lines if x["action"] == "plans_chosen"]
    assert told == [
        ("R. Two", {"before": [DEEP.key], "after": []}),
        ("R. Two", {"before": [], "after": [DEEP.key]}),
    ]
    assert "plans chosen" in client.get("/audit").text


def test_what_is_due_follows_the_plan_that_was_chosen(client: TestClient) -> None:  # noqa: F811
    identity = boiler(client, installed="2024-01-15")

    def plans_due() -> set[str]:
        due = client.get("/v1/due?until=2030-01").json()
        return {one["plan"] for one in due["due"] if one.get("plan")}

    choose(client, identity, YEARLY.key)
    assert plans_due() == {YEARLY.key}


def test_a_choice_that_cannot_be_kept_comes_back_as_it_was_made(
    client: TestClient,  # noqa: F811
) -> None:
    identity = boiler(client, plans=["own-plan"])
    gone = shown(client, identity)
    assert "names a plan that is not in force" in gone and "<code>own-plan</code>" in gone
    for keys, status, why, more in (
        (["no-such-plan"], 409, "the plan no-such-plan is not in force", {}),
        ([DEEP.key], 422, "say who decides", {"who": " "}),
        ([DEEP.key], 412, "meanwhile", {"version": "7"}),
    ):
        told = choose(client, identity, *keys, **more)
        said = html.unescape(told.text)
        assert told.status_code == status
        assert re.search(rf'role="alert">The plans were not changed: [^<]*{why}', said), said
        assert DEEP.key not in keys or f'value="{DEEP.key}" checked' in said
        assert named(client, identity) == ["own-plan"]
    assert choose(client, identity, YEARLY.key).status_code == 303
    assert named(client, identity) == [YEARLY.key]
    nowhere = client.post(f"/boilers/{new_id()}/plans", data={"who": "R. Two"})
    assert nowhere.status_code == 404
