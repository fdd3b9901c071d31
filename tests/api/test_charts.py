"""The firing curve as SVG: well formed, said in words, nothing that a strict policy forbids."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from api.charts import BandEnd, Curve, Mark, Pane, described, firing_curve, round_steps

SVG = "{http://www.w3.org/2000/svg}"


def pane(**changes: object) -> Pane:
    given: dict[str, object] = {
        "key": "o2_dry",
        "label": "O2",
        "unit": "%",
        "decimals": 1,
        "curves": [
            Curve("As left", "left", [Mark(100.0, 3.5), Mark(25.0, 5.5)]),
            Curve("As found", "found", [Mark(25.0, 6.5), Mark(100.0, 3.1)]),
        ],
        "band": [BandEnd(25.0, 4.8, 7.0), BandEnd(100.0, 2.5, 4.7)],
    }
    return Pane(**{**given, **changes})  # type: ignore[arg-type]


def test_svg_is_well_formed_and_names_itself() -> None:
    root = ET.fromstring(firing_curve(pane(), "p"))
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "p-t p-d"
    assert root.findtext(f"{SVG}title") == "O2 over firing rate"
    assert "As left: 5.5 % at 25 %, 3.5 % at 100 %" in (root.findtext(f"{SVG}desc") or "")


def test_points_stand_in_the_order_of_firing_rate_whatever_the_file_order() -> None:
    root = ET.fromstring(firing_curve(pane(), "p"))
    line = next(e for e in root.iter(f"{SVG}polyline") if e.get("class") == "left")
    xs = [float(p.split(",")[0]) for p in str(line.get("points")).split()]
    assert xs == sorted(xs)


def test_no_script_and_no_inline_style() -> None:
    text = firing_curve(pane(label='<script>alert("x")</script>'), "p")
    assert "<script" not in text
    assert "style=" not in text


def test_value_beyond_the_sensor_is_an_arrow_and_said_so() -> None:
    shown = pane(curves=[Curve("As left", "left", [Mark(25.0, 12.0), Mark(100.0, 2000.0, True)])])
    text = firing_curve(shown, "p")
    assert "&gt;2000" in text
    assert "above 2000.0 % at 100 %" in described(shown)


def test_far_limit_is_named_and_does_not_flatten_the_curve() -> None:
    near = firing_curve(pane(band=(), limit=8.0), "p")
    far = firing_curve(pane(band=(), limit=200.0), "p")
    assert "above this scale" not in near
    assert "above this scale" in far
    assert ">200<" not in far.replace("limit 200.0", "")


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 1.0), (3.1, 3.1), (-14.0, -3.0), (0.0, 679.0), (0.0, 0.0)]
)
def test_round_steps_enclose_the_range(low: float, high: float) -> None:
    steps = round_steps(low, high)
    assert steps[0] <= low <= high <= steps[-1]
    assert 2 <= len(steps) <= 7


def test_pane_without_readings_draws_and_says_so() -> None:
    empty = pane(curves=[], band=())
    ET.fromstring(firing_curve(empty, "p"))
    assert described(empty) == "Nothing was read."


def test_single_point_is_drawn() -> None:
    root = ET.fromstring(
        firing_curve(pane(curves=[Curve("As left", "left", [Mark(50.0, 4.0)])]), "p")
    )
    assert [e for e in root.iter(f"{SVG}path") if e.get("class") == "left-dot"]
