"""Tables in a saved layout: written, brought into a new book, written again as the same bytes."""

from __future__ import annotations

import csv
import io
import tempfile
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from ingest.bring import ImportRefused
from ingest.bring.layouts import bring_layout, layout_of
from ingest.export.layout import Layout
from ingest.export.layout_rows import canonical, shown
from ingest.identifiers import new_id
from ingest.intake import Intake
from ingest.layouts import all_layouts, put_layout, write_layout
from ingest.models import Boiler, Site, Visit
from ingest.store import Book, StateConflict
from parsers import Bound, Reading

NEEDED = ["visit", "site", "boiler", "started", "phase", "firing_rate", "burner", "fuel"]
UNITS = {
    "o2_dry": ["%", "ppm"],
    "co_dry": ["ppm", "%"],
    "stack_temperature": ["degC", "degF", "K"],
    "stack_draft": ["Pa", "inWC", "mbar", "psi"],
    "fuel_input": ["kW", "MBH", "Btu/h"],
}
TEXT = st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"), min_size=1)
NUMBER = st.floats(-1e6, 1e6, allow_nan=False, allow_subnormal=False)
WHEN = st.datetimes(datetime(2001, 1, 1), datetime(2040, 1, 1)).map(  # noqa: DTZ001
    lambda t: t.replace(tzinfo=timezone(timedelta(minutes=-330)))
)


@st.composite
def point_layouts(draw: st.DrawFn) -> Layout:
    """A layout of points: the needed columns and some more, in any order."""
    more = draw(st.lists(st.sampled_from(["technician", "note", "time"]), unique=True))
    columns: list[dict[str, Any]] = [{"field": name} for name in [*NEEDED, *more]]
    for key in draw(st.lists(st.sampled_from(sorted(UNITS)), unique=True)):
        columns.append({"field": key, "unit": draw(st.sampled_from(UNITS[key]))})
    columns = draw(st.permutations(columns))
    return Layout.model_validate({"name": "x", "rows": "point", "columns": columns})


@st.composite
def visit_layouts(draw: st.DrawFn) -> Layout:
    """A layout of visits: some quantities at phases and rates."""
    columns: list[dict[str, Any]] = [{"field": name} for name in NEEDED[:4]]
    places = st.tuples(
        st.sampled_from(sorted(UNITS)),
        st.sampled_from(["as_found", "as_left"]),
        st.sampled_from([100.0, 50.0, 33.3]),
    )
    for key, phase, rate in draw(st.lists(places, unique=True, min_size=1, max_size=6)):
        unit = draw(st.sampled_from(UNITS[key]))
        columns.append({"field": key, "unit": unit, "phase": phase, "firing_rate": rate})
    columns = draw(st.permutations(columns))
    return Layout.model_validate({"name": "x", "rows": "visit", "columns": columns})


BOUND = st.builds(Bound, above=NUMBER) | st.builds(Bound, below=NUMBER)
READING = st.builds(
    Reading,
    values=st.dictionaries(st.sampled_from(sorted(UNITS)), NUMBER),
    time=st.none() | WHEN,
    phase=st.sampled_from(["as_found", "as_left"]),
    firing_rate=st.sampled_from([100.0, 50.0, 33.3]),
    burner=st.sampled_from(["1", "=2"]),
    bounds=st.dictionaries(st.sampled_from(sorted(UNITS)), BOUND, max_size=2),
)
VISIT = st.tuples(WHEN, st.none() | TEXT, st.none() | TEXT, st.lists(READING, max_size=5))


def _book(folder: str, name: str, places: tuple[Site, list[Boiler]]) -> Intake:
    intake = Intake(Book(Path(folder) / name, durable=False))
    intake.put_site(places[0], "office")
    for boiler in places[1]:
        intake.put_boiler(boiler, "office")
    return intake


def _places() -> tuple[Site, list[Boiler]]:
    site = Site(id=new_id(), name='-Quay; "3"')
    return site, [Boiler(id=new_id(), name=n, site_id=site.id) for n in ("B-1", "'B,2")]


def _fill(intake: Intake, boilers: list[Boiler], visits: list[Any]) -> None:
    for n, (started, technician, note, readings) in enumerate(visits):
        visit = Visit(
            id=new_id(),
            boiler_id=boilers[n % 2].id,
            started=started,
            technician=technician,
            note=note,
        )
        intake.put_visit(visit, "T. Hale")
        if readings:
            assert visit.id is not None
            intake.add_readings(visit.id, [(None, r) for r in readings], "T. Hale")


@settings(max_examples=25, deadline=None)
@given(point_layouts() | visit_layouts(), st.lists(VISIT, max_size=3))
def test_a_table_brought_into_a_new_book_is_written_again_as_the_same_bytes(
    layout: Layout, visits: list[Any]
) -> None:
    places = _places()
    with tempfile.TemporaryDirectory() as folder:
        one, two = _book(folder, "one.db", places), _book(folder, "two.db", places)
        try:
            _fill(one, places[1], visits)
            for intake in (one, two):
                put_layout(intake, layout, "office")
            first, second = Path(folder) / "one.csv", Path(folder) / "two.csv"
            count = write_layout(one.book, layout, first)
            data = first.read_bytes()
            assert layout_of(two, data) == layout
            bring_layout(two, layout, data, "one.csv", "office")
            assert write_layout(two.book, layout, second) == count
            assert second.read_bytes() == data
            assert bring_layout(two, layout, data, "one.csv", "office").visits == 0
            assert two.book.verify() == []
        finally:
            one.book.close()
            two.book.close()


@given(NUMBER, st.sampled_from([(k, u) for k, units in UNITS.items() for u in units]))
def test_a_number_read_and_written_again_has_the_same_characters(
    value: float, place: tuple[str, str]
) -> None:
    text = shown(value, *place)
    assert shown(canonical(text, *place), *place) == text


def _layout(*more: dict[str, Any], rows: str = "point", name: str = "monthly") -> Layout:
    columns = [{"field": name} for name in (NEEDED if rows == "point" else NEEDED[:4])]
    return Layout.model_validate({"name": name, "rows": rows, "columns": [*columns, *more]})


def test_the_table_has_own_order_headings_and_units(tmp_path: Path) -> None:
    places = _places()
    intake = _book(str(tmp_path), "book.db", places)
    reading = Reading({"stack_temperature": 180.0}, phase="as_left", firing_rate=100.0)
    _fill(intake, places[1], [(datetime(2026, 3, 4, 8, tzinfo=UTC), None, None, [reading])])
    layout = _layout({"field": "stack_temperature", "heading": "Flue, F", "unit": "degF"})
    layout = layout.model_copy(update={"columns": layout.columns[::-1]})
    write_layout(intake.book, layout, tmp_path / "t.csv")
    rows = list(csv.reader(io.StringIO((tmp_path / "t.csv").read_text("utf-8"), newline="")))
    # 180 degC * 9/5 + 32 = 356 degF
    assert [row[0] for row in rows] == ["Flue, F", "356"]
    intake.book.close()


@pytest.mark.parametrize(
    "columns",
    [
        [{"field": "visit"}],
        [*({"field": n} for n in NEEDED), {"field": "colour"}],
        [*({"field": n} for n in NEEDED), {"field": "o2_dry", "unit": "degC"}],
        [*({"field": n} for n in NEEDED), {"field": "o2_dry", "phase": "as_left"}],
        [*({"field": n} for n in NEEDED), {"field": "note", "heading": "site"}],
        [*({"field": n} for n in NEEDED), {"field": "note", "unit": "Pa"}],
        [*({"field": n} for n in NEEDED), {"field": "note"}, {"field": "note", "heading": "2"}],
    ],
)
def test_a_layout_that_could_not_be_read_again_is_refused(columns: list[dict[str, Any]]) -> None:
    with pytest.raises(ValidationError):
        Layout.model_validate({"name": "x", "rows": "point", "columns": columns})


def test_two_layouts_never_have_the_same_headings(tmp_path: Path) -> None:
    intake = _book(str(tmp_path), "book.db", _places())
    put_layout(intake, _layout({"field": "o2_dry", "heading": "x", "unit": "%"}), "office")
    other = _layout({"field": "o2_dry", "heading": "x", "unit": "ppm"}, name="other")
    with pytest.raises(StateConflict):
        put_layout(intake, other, "office")
    assert len(all_layouts(intake.book)) == 1
    intake.book.close()


def test_a_changed_cell_is_named_and_nothing_is_written(tmp_path: Path) -> None:
    places = _places()
    intake = _book(str(tmp_path), "book.db", places)
    reading = Reading({"o2_dry": 4.5}, phase="as_left", firing_rate=100.0)
    _fill(intake, places[1], [(datetime(2026, 3, 4, 8, tzinfo=UTC), None, None, [reading])])
    layout = _layout({"field": "o2_dry"})
    write_layout(intake.book, layout, tmp_path / "t.csv")
    data = (tmp_path / "t.csv").read_bytes()
    other = _book(str(tmp_path), "other.db", places)
    for before, after, column in ((b"4.5", b"4,5x", None), (b"4.5", b"high", 9)):
        with pytest.raises(ImportRefused) as refused:
            bring_layout(other, layout, data.replace(before, after), "t.csv", "office")
        assert (refused.value.problems[0].line, refused.value.problems[0].column) == (2, column)
    with pytest.raises(ImportRefused, match="other readings"):
        bring_layout(intake, layout, data.replace(b"4.5", b"4.6"), "t.csv", "office")
    assert bring_layout(intake, layout, data, "t.csv", "office").there_already == 1
    for opened in (intake, other):
        opened.book.close()
