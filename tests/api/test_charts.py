"""The firing curve as SVG: well formed, said in words, nothing that a strict policy forbids."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import get_args

import pytest

from api.chart_spec import spread_words, told
from api.charts import BandEnd, Curve, Mark, Pane, described, firing_curve, round_steps
from api.pages.curve_sheet import curve_sheet
from api.pages.show import Shown
from api.report.readings import report_sheet
from api.settings import UnitSystem
from api.trend_chart import trend
from api.words import speaking, words_of
from ingest.accuracy import DEFAULTS
from tests.api.report_case import case
from tests.odd_charts import PANES, TRENDS

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


def test_an_open_end_of_a_band_is_said_as_at_least_or_at_most_and_no_visit_is_open() -> None:
    ends = [BandEnd(25.0, None, 6.0), BandEnd(50.0, 3.0, None), BandEnd(100.0, None, None)]
    assert described(pane(band=ends)).endswith(
        "Target band: at most 6.0 % at 25 %, at least 3.0 % at 50 %, no limit at 100 %."
    )
    with speaking(words_of("es", "ES")):
        said = described(pane(band=ends))
    assert "como máximo 6,0 % al 25 %, como mínimo 3,0 % al 50 %, sin límite al 100 %" in said
    assert "abiert" not in said


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


def test_page_and_report_draw_one_specification_to_the_same_bytes() -> None:
    given = case()
    for system in get_args(UnitSystem):
        shown = Shown(system)
        page = curve_sheet(given.points, given.visit, given.limits, shown, given.history)
        report = report_sheet(given, shown)
        assert [one.pane for one in page] == [one.pane for one in report]
        assert [one.svg for one in page] == [one.svg for one in report]


def test_each_point_of_the_drawing_has_its_row_and_each_row_its_point() -> None:
    for name, odd in PANES.items():
        root = ET.fromstring(firing_curve(odd, "p"))
        points = [f"p-{e.get('data-point')}" for e in root.iter() if e.get("data-point")]
        rows = [row.id for row in told(odd, "p")]
        assert sorted(points) == sorted(rows), name


def test_spread_of_a_point_is_twice_its_standard_uncertainty() -> None:
    # The usual oxygen cell is stated as 0.2 % at 95 % (common practice): 0.1 % standard.
    assert DEFAULTS["o2_dry"].spec.absolute == 0.2
    given = case()
    sheet = curve_sheet(given.points, given.visit, given.limits, Shown("si"))
    mark = sheet[0].pane.curves[0].marks[0]
    point = next(p for p in given.points if p.key.phase == "as_left")
    scatter = point.values["o2_dry"].u_mean or 0.0
    assert mark.spread == pytest.approx(2 * (0.1**2 + scatter**2) ** 0.5)


def test_bar_is_drawn_only_where_it_reaches_beyond_the_mark() -> None:
    def bars(spread: float) -> int:
        marks = [Mark(25.0, 5.0, spread=spread), Mark(100.0, 4.0, spread=spread)]
        return firing_curve(pane(curves=[Curve("As left", "left", marks)]), "p").count("spread")

    assert (bars(0.0), bars(0.01), bars(0.8)) == (0, 0, 2)


def test_unknown_uncertainty_is_said_to_be_unknown() -> None:
    assert spread_words(0.0, 1, "%") == "uncertainty not known"
    assert spread_words(12.0, 0, "ppm") == "± 12 ppm (k = 2)"


def _boxes(svg: str) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Return the words of a drawing with about the room they take."""
    out = []
    for text in ET.fromstring(svg).iter(f"{SVG}text"):
        said = "".join(text.itertext())
        size, x, y = (float(text.get(k, "0")) for k in ("font-size", "x", "y"))
        wide = 0.6 * size * len(said)
        left = x - wide * {"start": 0, "middle": 0.5, "end": 1}[text.get("text-anchor", "start")]
        out.append((said, (left, y - 0.75 * size, left + wide, y)))
    return out


@pytest.mark.parametrize("name", [*PANES, *TRENDS])
def test_no_word_of_an_odd_chart_lies_on_another_or_leaves_it(name: str) -> None:
    odd = PANES.get(name)
    svg = firing_curve(odd, "p") if odd is not None else trend(TRENDS[name], "p")
    wide, high = (float(v) for v in ET.fromstring(svg).get("viewBox", "").split()[2:])
    found = _boxes(svg)
    for n, (said, box) in enumerate(found):
        assert box[0] >= -1 and box[1] >= 0 and box[2] <= wide + 1 and box[3] <= high, said
        for other, beside in found[n + 1 :]:
            apart = box[2] <= beside[0] or box[0] >= beside[2] or box[3] <= beside[1]
            assert apart or box[1] >= beside[3], (said, other)


def test_a_chart_speaks_the_language_of_its_reader() -> None:
    with speaking(words_of("es", "ES")):
        text = firing_curve(pane(limit=400.0, limit_name="at most"), "p")
    assert "O2 según la tasa de fuego" in text
    assert "como máximo 400,0, sobre esta escala" in text
    assert "5,5 % al 25 %" in text
