"""Released schemas and the page of rules: made again and compared; real documents hold to them."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from ingest.contracts import schemas, text_of
from ingest.judge_json import judge_json
from ingest.limits import DEFAULT_LIMITS
from ingest.rules import RULES
from ingest.rules_page import page
from parsers import read, read_json
from tests.ingest.cases import boiler, judged, point, points, visit

DOCS = Path(__file__).resolve().parents[2] / "docs"


@pytest.mark.parametrize("name", sorted(schemas()))
def test_released_schema_is_the_one_the_models_make(name: str) -> None:
    released = (DOCS / "contracts" / name).read_text(encoding="utf-8")
    assert released == text_of(schemas()[name]), "run: python -m ingest.contracts docs/contracts"
    jsonschema.Draft202012Validator.check_schema(json.loads(released))


def test_the_page_of_rules_is_the_one_the_rules_make() -> None:
    made = (DOCS / "rules.md").read_text(encoding="utf-8")
    assert made == page(), "run: python -m ingest.rules_page > docs/rules.md"
    for key in RULES:
        assert f"### `{key}`" in made
    for limit in DEFAULT_LIMITS.values():
        assert limit.source in made


def test_a_judgement_holds_to_its_schema() -> None:
    at = [*points("as_found", co_dry=300.0), point(20, o2_dry=1.0, co_dry=900.0), *points()[1:]]
    document = judge_json(judged(at, during=visit(room_co=[{"value": 50}])))
    assert document["flags"] and document["not_judged"] and document["work_done"]
    jsonschema.validate(document, schemas()["judge-1.json"])


def test_a_read_result_holds_to_its_schema() -> None:
    data = b"firing rate [%],O2 [%],CO [ppm]\n100,4.0,>2000\n20,---,12\nword,word,word\n"
    document = read_json(read(data, "x.csv"))
    jsonschema.validate(json.loads(json.dumps(document)), schemas()["read-1.json"])


def test_documents_in_their_own_shape_hold_to_their_schemas() -> None:
    jsonschema.validate(boiler().model_dump(mode="json"), schemas()["boiler.json"])
    jsonschema.validate(visit(altitude=3).model_dump(mode="json"), schemas()["visit.json"])
    loose = {"rated_input": "500 kW", "altitude": {"value": 5, "unit": "ft"}}
    jsonschema.validate(loose, schemas()["boiler.json"])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"foo": 1}, schemas()["boiler.json"])


def test_every_rule_says_everything_and_is_plain() -> None:
    for rule in RULES.values():
        for text in (rule.title, rule.meaning, rule.formula, rule.default, rule.source,
                     rule.causes, rule.next_step, rule.silent, rule.needs):  # fmt: skip
            assert text.strip()
        assert "safe" not in rule.next_step.split()
