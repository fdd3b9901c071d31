"""Posted readings: every quantity with its unit, all mistakes named at once."""

from __future__ import annotations

from typing import Any

import pytest

from api.posted import PostedReadings, readings_from
from api.problems import ProblemError


def posted(values: dict[str, Any], **body: Any) -> PostedReadings:
    return PostedReadings.model_validate(
        {"readings": [{"firing_rate": 100, "values": values}], **body}
    )


# 356 degF is 180 degC: (356 - 32) * 5 / 9, the definition of the scales.
@pytest.mark.parametrize(
    "given",
    [{"value": 356, "unit": "degF"}, "356 degF", "356 °F", {"value": 453.15, "unit": "K"}],
)
def test_temperature_is_taken_with_its_unit_in_every_spelling(given: object) -> None:
    reading = readings_from(posted({"stack_temperature": given}))[0]
    assert reading.values["stack_temperature"] == pytest.approx(180.0, abs=1e-9)


@pytest.mark.parametrize("units", [{"temperature": "degF"}, {"stack_temperature": "degF"}])
def test_units_object_gives_the_unit_of_bare_numbers(units: dict[str, str]) -> None:
    reading = readings_from(posted({"stack_temperature": 356}, units=units))[0]
    assert reading.values["stack_temperature"] == pytest.approx(180.0, abs=1e-9)


@pytest.mark.parametrize("key", ["stack_temperature", "stack_draft", "flame_signal", "fuel_input"])
@pytest.mark.parametrize("given", [12.0, "12"])
def test_bare_dimensioned_number_is_refused_with_a_pointer(key: str, given: object) -> None:
    with pytest.raises(ProblemError) as refused:
        readings_from(posted({key: given}))
    details = refused.value.details
    assert details.status == 422
    assert details.errors[0].pointer == f"/readings/0/values/{key}"
    assert details.errors[0].code == "unit_missing"
    assert details.errors[0].next_step


def test_percent_and_ppm_may_stand_bare() -> None:
    values = readings_from(posted({"o2_dry": 5.1, "co_dry": 12}))[0].values
    assert values == {"o2_dry": 5.1, "co_dry": 12.0}


def test_every_mistake_is_named_at_once() -> None:
    with pytest.raises(ProblemError) as refused:
        readings_from(
            posted({"o2": 5, "stack_temperature": 180, "stack_draft": "3 degF", "co_dry": "twelve"})
        )
    pointers = [e.pointer for e in refused.value.details.errors]
    assert pointers == [
        f"/readings/0/values/{k}" for k in ("o2", "stack_temperature", "stack_draft", "co_dry")
    ]


def test_time_without_offset_is_refused() -> None:
    body = {"readings": [{"values": {"o2_dry": 5}, "time": "2026-03-04T09:15:00"}]}
    with pytest.raises(ProblemError, match="offset"):
        readings_from(PostedReadings.model_validate(body))
