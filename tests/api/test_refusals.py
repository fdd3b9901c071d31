"""What a form refuses is said in its reader's language, by pydantic's type of error."""

from __future__ import annotations

import string
from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest
from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticKnownError
from starlette.testclient import TestClient

from api.problems import problem_of_book_error
from api.refusals import OWN, SAID, UNKNOWN, place, refusal, refusals, told, why_not
from api.routes.duty import AskedDutyPerson
from api.words import speaking, words_of
from ingest.intake import WordsMissing
from ingest.models import LimitsDocument, Visit
from ingest.service.job import Job
from ingest.store import NotFound, StateConflict, VersionConflict
from tests.page_words import english_in

FORMS: tuple[type[BaseModel], ...] = (Visit, Job, LimitsDocument, AskedDutyPerson)
"""The models that a page's form is read into."""

# Node of a core schema -> types of error that it can raise. Read: pydantic 2 documentation,
# "Validation Errors"; the test below holds each against the library itself.
RAISES: dict[str, set[str]] = {
    "str": {"string_type", "string_unicode"},
    "int": {"int_type", "int_parsing", "int_parsing_size", "int_from_float"},
    "float": {"float_type", "float_parsing"},
    "bool": {"bool_type", "bool_parsing"},
    "list": {"list_type"},
    "tuple": {"tuple_type", "missing", "too_long"},
    "dict": {"dict_type", "invalid_key"},
    "literal": {"literal_error"},
    "enum": {"enum"},
    "date": {"date_type", "date_parsing", "date_from_datetime_parsing",
             "date_from_datetime_inexact"},
    "datetime": {"datetime_type", "datetime_parsing", "datetime_object_invalid",
                 "datetime_from_date_parsing"},
    "uuid": {"uuid_type", "uuid_parsing", "uuid_version"},
    "none": {"none_required"},
    "model": {"model_type", "model_attributes_type"},
    "model-fields": {"model_type", "model_attributes_type", "missing", "extra_forbidden"},
    "no-info": {"value_error", "assertion_error"},
    "function-after": {"value_error", "assertion_error"},
    "function-before": {"value_error", "assertion_error"},
    "function-wrap": {"value_error", "assertion_error"},
    "nullable": set(), "default": set(), "model-field": set(), "definitions": set(),
    "definition-ref": set(), "any": set(), "string": set(),
}  # fmt: skip
BOUNDS: dict[str, set[str]] = {
    "ge": {"greater_than_equal"},
    "gt": {"greater_than"},
    "le": {"less_than_equal"},
    "lt": {"less_than"},
    "pattern": {"string_pattern_mismatch"},
    "allow_inf_nan": {"finite_number"},
    "tz_constraint": {"timezone_naive"},
}
LENGTHS = {
    "str": {"min_length": "string_too_short", "max_length": "string_too_long"},
    "list": {"min_length": "too_short", "max_length": "too_long"},
    "tuple": {"min_length": "too_short", "max_length": "too_long"},
    "dict": {"min_length": "too_short", "max_length": "too_long"},
}


def raised(node: object) -> Iterator[str]:
    """Yield the types of error that a core schema can raise; an unknown node fails."""
    if isinstance(node, list | tuple):
        for part in node:
            yield from raised(part)
    if not isinstance(node, dict):
        return
    kind = node.get("type")
    if isinstance(kind, str):
        yield from RAISES[kind]
        for bound, types in BOUNDS.items():
            if bound in node:
                yield from types
        for bound, error in LENGTHS.get(kind, {}).items():
            if bound in node:
                yield error
    for name, part in node.items():
        if name not in ("metadata", "serialization", "expected", "default", "config"):
            yield from raised(part)


@pytest.mark.parametrize("model", FORMS)
def test_every_type_that_a_form_s_model_can_raise_is_in_the_table(model: type[BaseModel]) -> None:
    found = set(raised(model.__pydantic_core_schema__))
    assert len(found) > 5
    assert found - set(SAID) - OWN == set()


CONTEXT: dict[str, Any] = {
    "min_length": 3, "max_length": 9, "gt": 1.0, "ge": 1.0, "lt": 1.0, "le": 1.0,
    "expected": "'a', 'b' or 'c'", "pattern": "^a$", "error": "why", "parsing_error": "why",
    "object_type": "a body", "class_name": "Visit", "actual_length": 12, "field_type": "List",
    "expected_version": 7, "object": "x", "dt": "x", "tz_expected": 0, "tz_actual": 1,
}  # fmt: skip


@pytest.mark.parametrize("kind", sorted(SAID))
def test_each_type_is_one_of_the_library_and_its_places_are_in_the_error_s_context(
    kind: str,
) -> None:
    said = PydanticKnownError(kind, CONTEXT)  # type: ignore[arg-type]  # refuses an unknown type
    needed = {n for _t, n, _s, _c in string.Formatter().parse(SAID[kind]) if n}
    assert needed <= {n for _t, n, _s, _c in string.Formatter().parse(said.message_template) if n}
    with speaking(words_of("es", "ES")):
        found = refusal({"type": kind, "ctx": CONTEXT, "input": 7, "msg": said.message()})
        assert "{" not in found
        assert english_in(found) == []
        assert found != refusal({"type": "nobody_knows", "input": 7, "msg": "x"})


def test_a_refusal_names_the_place_and_what_was_entered() -> None:
    with pytest.raises(ValidationError) as caught:
        Visit.model_validate({"room_co": [{"value": "lots"}], "how_left": "gone"})
    said = dict(refusals(caught.value))
    assert said["room_co.0.value"] == "CO in the room, 1: a number is expected (lots was entered)"
    with speaking(words_of("es", "MX")):
        assert dict(refusals(caught.value))["room_co.0.value"] == (
            "CO en la sala, 1: se espera un número (se anotó lots)"
        )
    assert said["how_left"].startswith("How it was left: one of these is expected: running, ")
    assert place(("x",)) == ""


def test_what_the_book_refuses_is_said_in_spanish() -> None:
    identity = UUID("01a226f1-56a0-72be-8d97-f53427bca2a7")  # with the letters of an English word
    refused = (
        NotFound("boiler", identity),
        NotFound("cut log", identity),
        VersionConflict("visit", identity, 2, 3),
        VersionConflict("limits", "of the company", 2, 3),
        StateConflict("the visit is handed in; send it back before changing it"),
        StateConflict("the last administrator stays: make another one first"),
        StateConflict("a key named 'Meters' is in use; revoke it first"),
        WordsMissing("say why a visit with a fix finding is accepted"),
        WordsMissing("say what is to be done"),
    )
    with speaking(words_of("es", "ES")):
        for error in refused:
            said = why_not(error)
            assert said != str(error)
            assert english_in(said.replace("Meters", "")) == [], said
        item = told(problem_of_book_error(refused[4]).details.errors)[0]
        assert "entregada" in item.message
        assert english_in(item.next_step or "") == []
    assert why_not(refused[0]) == str(refused[0])
    with speaking(words_of("es", "ES")):
        assert why_not(StateConflict("Nobody has written this.")) == "Nobody has written this"


def test_a_duty_form_refuses_in_spanish(client: TestClient) -> None:
    answer = client.post("/duty?language=es", data={"name": "J. Harrow", "email": "nobody"})
    assert answer.status_code == 422
    assert "no es una dirección" in answer.text
    assert "plain mail address" not in answer.text
    long = client.post("/duty?language=es", data={"name": "J" * 101, "email": "a@heat.example"})
    assert "caracteres" in long.text
    assert UNKNOWN not in long.text
