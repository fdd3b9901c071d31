"""Numbers that are none, and numbers that nothing measures, in every shape that is sent in."""

from __future__ import annotations

from collections.abc import Iterator
from types import NoneType
from typing import Annotated, Any, get_args, get_origin

import pytest
from pydantic import ValidationError

import api.app  # noqa: F401, brings every shape of the HTTP API
from ingest.documents import DocumentError, boiler_from, visit_from
from ingest.sent import Sent
from parsers.numbers import LARGEST


def _shapes(base: type[Sent]) -> Iterator[type[Sent]]:
    for one in base.__subclasses__():
        yield one
        yield from _shapes(one)


def _kinds(annotation: Any) -> set[Any]:
    if get_origin(annotation) is Annotated:
        return _kinds(get_args(annotation)[0])
    inside = get_args(annotation)
    if get_origin(annotation) in (list, dict, tuple):
        return {get_origin(annotation)}
    return set().union(*map(_kinds, inside)) if inside else {annotation}


NUMBERS = sorted(
    {
        (shape.__name__, name, shape)
        for shape in _shapes(Sent)
        for name, field in shape.model_fields.items()
        if _kinds(field.annotation) <= {float, int, NoneType}
    },
    key=lambda found: found[:2],
)


def test_there_are_numbers_to_look_at() -> None:
    assert len(NUMBERS) > 80
    assert {"Limits", "Value", "Measured", "PostedBound"} <= {name for name, _, _ in NUMBERS}


@pytest.mark.parametrize(
    "given", [True, False, "5", "nan", float("nan"), float("inf"), 1e308, 10**400], ids=repr
)
def test_what_is_no_number_is_refused_at_its_field(given: Any) -> None:
    for _, name, shape in NUMBERS:
        try:
            shape.model_validate({name: given})
        except ValidationError as error:
            assert (name,) in [e["loc"][:1] for e in error.errors()], (shape, name, error)
        else:
            raise AssertionError((shape, name))


@pytest.mark.parametrize(
    "given",
    [
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-12:00",
        "2026-03-04T09:30:00+99:99",
        "2016-12-31T23:59:60Z",
        "2026-02-30T08:00:00Z",
        1772613000,
        "1772613000",
        True,
    ],
)
def test_what_is_no_time_of_a_visit_is_refused_at_its_field(given: Any) -> None:
    for document in ({"started": given}, {"room_co": [{"value": 1, "time": given}]}):
        with pytest.raises(DocumentError) as refused:
            visit_from(document)
        assert refused.value.problems[0].pointer in ("/started", "/room_co/0/time")
    with pytest.raises(DocumentError, match="/installed"):
        boiler_from({"installed": given})


def test_a_visit_that_ends_before_it_began_is_refused() -> None:
    times = {"started": "2026-03-04T09:30:00+01:00", "ended": "2026-03-04T08:29:59Z"}
    with pytest.raises(DocumentError, match="/ended: it ended before it began"):
        visit_from(times)
    assert visit_from({**times, "ended": "2026-03-04T08:30:00Z"}).ended is not None


def test_a_number_at_the_edge_is_one() -> None:
    class Shape(Sent):
        number: float
        count: int = 0

    assert Shape(number=LARGEST).number == LARGEST and Shape(number=-0.0).number == 0
    assert Shape.model_validate({"number": 3, "count": 5.0}).count == 5
    with pytest.raises(ValidationError, match="less than or equal to 1000000000000"):
        Shape(number=LARGEST * 1.001)
