"""Uncertainty of excess air and efficiencies at a chart's points, against draws by chance."""

from __future__ import annotations

import re

import numpy as np
import pytest
from starlette.testclient import TestClient

from api.chart_spec import COVERAGE
from api.pages.derived import DERIVED, derived_u
from api.pages.show import Shown
from api.pages.sources import Spreads
from api.report import ReportOptions
from api.report.content import content
from combustion.fuels import FUELS
from combustion.losses import heat_balance_from_o2
from combustion.stoichiometry import excess_air_from_o2
from ingest.identifiers import new_id
from ingest.models import AccuracySpec, Instrument, Visit
from parsers.points import FiringPoint, PointKey, Settled
from tests.api.conftest import BOILER
from tests.api.report_case import case
from tests.api.test_standing import HOT, one_visit

READ = {
    "o2_dry": 5.0,
    "co_dry": 30.0,
    "stack_temperature": 180.0,
    "combustion_air_temperature": 20.0,
}
U = {
    "o2_dry": 0.1,
    "co_dry": 2.0,
    "stack_temperature": 2.0,
    "combustion_air_temperature": 0.5,
}
"""Standard uncertainties that the visit's instrument states (coverage 1), canonical units."""


def point(rate: float = 50.0, fuel: str = "natural_gas", **read: float | None) -> FiringPoint:
    found = {k: v for k, v in (READ | read).items() if v is not None}
    values = {k: Settled(v, 0.0, 1) for k, v in found.items()}
    return FiringPoint(PointKey("1", fuel, "as_left", rate), values, 1)


def visit() -> Visit:
    specs = {k: AccuracySpec(absolute=u, coverage=1.0) for k, u in U.items()}
    return Visit(instrument=Instrument(accuracies=specs))


def test_excess_air_and_efficiencies_spread_as_twenty_thousand_draws_do() -> None:
    """JCGM 101:2008 (memory): propagation of distributions is the check on the linear law."""
    rng, n = np.random.default_rng(7), 20_000
    drawn = np.array([rng.normal(READ[k], U[k], n) for k in READ]).T
    gas, found = FUELS["natural_gas"], []
    for o2, co, stack, air in drawn.tolist():
        balance = heat_balance_from_o2(gas, o2, stack, air, co)
        excess = excess_air_from_o2(gas, o2, co)
        found.append((excess, balance.efficiency_gross, balance.efficiency_net))
    drawn_u = dict(zip(DERIVED, np.std(found, axis=0), strict=True))
    one = point()
    spreads = Spreads(visit(), Shown("us"), (one,))
    for key in DERIVED:
        # The deviation of 2e4 draws is itself known to 0.5 %; the formulas bend by under 1 %.
        assert spreads.expanded(one, key) == pytest.approx(COVERAGE * drawn_u[key], rel=0.02)


def test_points_together_spread_as_each_alone_and_an_unknown_fuel_has_none() -> None:
    points = [point(25.0), point(50.0, o2_dry=8.0), point(75.0, "propane"), point(90.0, "peat")]
    points += [point(100.0, combustion_air_temperature=None)]
    together = Spreads(visit(), Shown("si"), points)
    alone = Spreads(visit(), Shown("si"))
    for one in points:
        for key in DERIVED:
            assert together.standard(one, key) == pytest.approx(alone.standard(one, key), rel=1e-12)
    assert together.standard(points[1], "excess_air") > together.standard(points[0], "excess_air")
    assert [together.standard(points[3], key) for key in DERIVED] == [0.0, 0.0, 0.0]
    assert together.standard(points[4], "excess_air") > 0.0
    assert together.standard(points[4], "efficiency_net") == 0.0
    assert derived_u([]) == []


@pytest.mark.parametrize("key", DERIVED)
def test_a_boiler_s_chart_tells_the_uncertainty_of_what_is_computed(
    client: TestClient, key: str
) -> None:
    boiler = str(new_id())
    assert client.put(f"/v1/boilers/{boiler}", json=BOILER).status_code == 200
    one_visit(client, boiler, "2026-01-01", HOT)
    text = client.get(f"/boilers/{boiler}?units=us&further=yes").text
    part = text.partition(f'id="q-{key}"')[2].partition("</section>")[0]
    cells = re.findall(r"<td id=[^>]*>(.*?)</td>", part)
    assert len(cells) == part.count("data-point=") > 0
    # The table's cell is what mouse, touch and arrow keys say at the point.
    assert all("±" in cell and "(k = 2)" in cell for cell in cells)
    assert "uncertainty not known" not in part


def test_the_report_states_it_beside_the_number() -> None:
    texts = str(content(case(), ReportOptions(units="si")).blocks)
    for name in ("Excess air", "Efficiency, gross"):
        row = re.search(rf"\['{name}[^\]]*\]", texts)
        assert row is not None
        assert "±" in row[0]
