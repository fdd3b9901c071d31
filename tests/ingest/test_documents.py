"""visit.json, boiler.json, limits: what is accepted, and how it is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.documents import (
    DocumentError,
    boiler_from,
    limits_from,
    read_json_file,
    visit_from,
)
from ingest.models import Boiler

DEGC = {"temperature": "degC"}


def test_a_visit_as_the_contract_lists_it() -> None:
    made = visit_from(
        {
            "id": "v-1",
            "boiler_id": "b-1",
            "started": "2026-03-01T08:00:00",
            "fuel": "natural_gas",
            "adjustments": True,
            "instrument": {
                "accuracies": {"o2_dry": 0.2, "co": {"abs": 5, "pct": 5}},
                "ranges": {"co_dry": [0, 4000]},
                "calibration_date": "2025-09-01T00:00:00",
            },
            "room_co": 3,
            "condensate_seen": True,
            "how_left": "in service",
        }
    )
    assert (made.external_id, made.boiler_external_id) == ("v-1", "b-1")
    assert made.adjusted is True and made.how_left == "running"
    assert made.instrument.accuracies["co_dry"].percent == 5.0
    assert made.instrument.ranges["co_dry"].high == 4000.0
    assert str(made.instrument.calibrated) == "2025-09-01"


@pytest.mark.parametrize(
    ("given", "values"),
    [
        (3, [3.0]),
        ([1, 4.5], [1.0, 4.5]),
        ({"value": 3, "unit": "ppm"}, [3.0]),
        ([{"ppm": 4, "time": "2026-03-01T08:00:00Z"}], [4.0]),
        ({"arrival": 2, "leaving": 5}, [2.0, 5.0]),
        (None, []),
    ],
)
def test_ways_of_writing_room_co(given: Any, values: list[float]) -> None:
    assert [r.value for r in visit_from({"id": "v", "room_co": given}).room_co] == values


@pytest.mark.parametrize(
    ("given", "adjusted", "count"),
    [
        (True, True, 0),
        (False, False, 0),
        (2, True, 0),
        ("none", False, 0),
        ("damper set", None, 1),
        (["damper", {"what": "valve", "time": "2026-03-01T08:00:00Z"}], None, 2),
        ([], None, 0),
    ],
)
def test_ways_of_writing_adjustments(given: Any, adjusted: bool | None, count: int) -> None:
    made = visit_from({"id": "v", "adjustments": given})
    assert (made.adjusted, len(made.adjustments)) == (adjusted, count)


@pytest.mark.parametrize(
    "targets",
    [
        [{"firing_rate": 100, "o2_dry": {"low": 3, "high": 5}}],
        [{"rate": 100, "o2": [3, 5]}],
        [{"firing_rate": 100, "o2_low": 3, "o2_high": 5}],
        {"100": {"o2_dry": {"min": 3, "max": 5}}},
        {"o2_dry": {"100": [3, 5]}},
        {"o2_dry": [{"firing_rate": 100, "low": 3, "high": 5}]},
    ],
)
def test_ways_of_writing_targets(targets: Any) -> None:
    for document in ({"targets": targets}, {"limits": {"targets": targets}}):
        point = boiler_from(document).limits.targets[0]
        assert point.o2_dry is not None
        assert (point.firing_rate, point.o2_dry.low, point.o2_dry.high) == (100.0, 3.0, 5.0)


@pytest.mark.parametrize(
    "limits",
    [
        {"stack_temperature_by_rate": [{"firing_rate": 20, "stack_temperature_max": 150}]},
        {"stack_temperature_max": {"20": 150}},
        {"stack_temperature_max": [{"firing_rate": 20, "max": 150}]},
        {"stack_temperature": {"20": {"max": 150}}},
        [{"firing_rate": 20, "o2_dry": [3, 5], "stack_temperature_max": 150}],
        {"by_rate": [{"firing_rate": 20, "stack_temperature_max": 150}]},
    ],
)
def test_ways_of_writing_stack_limits_by_rate(limits: Any) -> None:
    row = boiler_from({"units": DEGC, "limits": limits}).limits.stack_temperature_by_rate[0]
    assert (row.firing_rate, row.stack_temperature_max) == (20.0, 150.0)


@pytest.mark.parametrize(
    "power",
    [
        {"rated_input": {"value": 500, "unit": "kW"}},
        {"rated_input": "500 kW"},
        {"rated_input_kw": 500},
        {"rated_input": 500, "units": {"power": "kW"}},
        {"rated_input": 500, "units": {"rated_input": "kW", "o2_dry": "%"}},
    ],
)
def test_ways_of_declaring_a_unit(power: dict[str, Any]) -> None:
    assert boiler_from(power).rated_input == 500.0


def test_differences_follow_the_declared_temperature() -> None:
    of = boiler_from({"units": {"temperature": "degF"}, "limits": {"approach_rise_max": 18}})
    assert of.limits.approach_rise_max == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("make", "document", "pointer", "words"),
    [
        (boiler_from, {"conensing": True}, "/conensing", "Did you mean 'condensing'"),
        (boiler_from, {"limits": {"stack_temperature_max": 200}},
         "/limits/stack_temperature_max", "has no unit"),
        (boiler_from, {"limits": {"targets": [{"firing_rate": 400, "o2": [3, 5]}]}},
         "/limits/targets/0/firing_rate", "110"),
        (boiler_from, {"limits": {"targets": [{"firing_rate": 50, "low": 3, "high": 5}]}},
         "/limits/targets/0/low", "unknown key"),
        (boiler_from, {"limits": {"co_air_free_max": 200}}, "/limits/co_air_free_max",
         "unknown key"),
        (boiler_from, {"rated_input": "500 degC"}, "/rated_input", "different things"),
        (boiler_from, {"units": {"power": "kW", "rated_input": "MBH"}}, "/units/rated_input",
         "declared"),
        (visit_from, {"id": "v", "instrument": {"accuracies": {"o2dry": 1}}},
         "/instrument/accuracies/o2dry", "did you mean 'o2_dry'"),
        (visit_from, {"id": "v", "room_co": "much"}, "/room_co/0/value", "valid number"),
        (visit_from, {"id": "v", "started": "yesterday"}, "/started", "datetime"),
        (limits_from, {"o2_spread": 1}, "/o2_spread", "Did you mean 'o2_spread_max'"),
    ],
)  # fmt: skip
def test_refusals_name_pointer_expected_and_next_step(
    make: Any, document: dict[str, Any], pointer: str, words: str
) -> None:
    with pytest.raises(DocumentError) as caught:
        make(document, "some.json")
    problem = caught.value.problems[0]
    assert problem.pointer == pointer
    line = problem.line()
    assert line.startswith("some.json, at ") and words in line and "Expected" in line


def test_every_problem_is_named_not_only_the_first() -> None:
    with pytest.raises(DocumentError) as caught:
        boiler_from({"foo": 1, "turndown": "wide", "condensing": "perhaps"})
    assert len(caught.value.problems) == 3


def test_text_that_is_no_json_names_line_and_column(tmp_path: Path) -> None:
    file = tmp_path / "boiler.json"
    file.write_text('{"fuel": "propane",\n nonsense}')
    with pytest.raises(DocumentError, match="line 2, column 2"):
        read_json_file(file)
    file.write_text("[1]")
    with pytest.raises(DocumentError, match="not an object"):
        read_json_file(file)


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from([*Boiler.model_fields, "targets", "o2", "100", "low", "value", "unit"]),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(
            [*Boiler.model_fields, "targets", "room_co", "instrument", "adjustments", "id",
             "how_left", "units", "stack_temperature", "by_rate"]
        ),
        json_values,
        max_size=5,
    )
)  # fmt: skip
def test_any_json_is_either_taken_or_refused_with_a_pointer(document: dict[str, Any]) -> None:
    for make in (boiler_from, visit_from, limits_from):
        try:
            make(document)
        except DocumentError as error:
            assert error.problems and all(p.message and p.next_step for p in error.problems)
