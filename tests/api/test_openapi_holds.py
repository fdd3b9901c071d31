"""The OpenAPI document holds: schemathesis asks every address with all its checks, as each role."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import positive_data_acceptance
from starlette.testclient import TestClient

from api.app import create_app
from api.settings import Settings
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.store import Book
from ingest.store.accounts import ROLES
from tests.api.conftest import BOILER

BUT = [positive_data_acceptance]
"""A body may fit its schema and yet name a boiler that is not there, a cursor of another list or a
unit that does not convert: those are refused with 422, which the document states."""


@schemathesis.serializer("application/toml")
def toml(_: Any, value: Any) -> bytes:
    """Plans are sent as TOML: any text will do to be refused or taken."""
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")


Opened = tuple[schemathesis.schemas.BaseSchema, dict[str, str]]


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with Book(tmp_path_factory.mktemp("book") / "book.db", durable=False) as book:
        app = create_app(Intake(book), Settings(requests_a_minute=0, deliver=False))
        secrets = {
            role: app.state.desk.add_key(f"a {role}", "test", role=role)[1] for role in ROLES
        }
        with TestClient(app) as client:
            headers = {"Authorization": f"Bearer {secrets['administrator']}"}
            boiler = str(new_id())
            client.put(f"/v1/boilers/{boiler}", json=BOILER, headers=headers)
            client.post("/v1/visits", json={"boiler_id": boiler}, headers=headers)
            yield schemathesis.openapi.from_asgi("/v1/openapi.json", app), secrets


def refused_by(opened: Opened, role: str, examples: int) -> list[str]:
    """Return what an answer was that the document does not allow, by address."""
    schema, secrets = opened
    headers = {"Authorization": f"Bearer {secrets[role]}"}
    found = []
    for result in schema.get_all_operations():
        operation = result.ok()

        @given(case=operation.as_strategy())
        @settings(
            max_examples=examples,
            derandomize=True,
            database=None,
            deadline=None,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        def holds(case: schemathesis.Case) -> None:
            answer = case.call_and_validate(headers=headers, excluded_checks=BUT)
            # Named one by one: the document's "default" is for what nobody foresaw.
            listed = case.operation.definition.raw["responses"]
            assert str(answer.status_code) in listed, f"{answer.status_code} is not listed"

        try:
            holds()
        except (Exception, FailureGroup) as error:
            several = getattr(error, "exceptions", [error])
            said = " | ".join(" ".join(str(one).split())[:500] for one in several)
            found.append(f"{operation.method.upper()} {operation.path}: {said}")
    return found


@pytest.mark.parametrize("role", ROLES)
def test_every_answer_is_a_documented_one(opened: Opened, role: str) -> None:
    assert refused_by(opened, role, examples=2 if role == "administrator" else 1) == []


@pytest.mark.soak
@pytest.mark.parametrize("role", ROLES)
def test_every_answer_is_a_documented_one_for_long(opened: Opened, role: str) -> None:
    assert refused_by(opened, role, examples=100) == []
