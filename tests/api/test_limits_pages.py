"""Limits of a boiler and of the company on pages: tried on past visits, then kept with a reason."""

from __future__ import annotations

import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.pages.limit_fields import FIELDS, entries_of, limits_asked
from api.pages.show import Shown
from ingest.documents import limits_from
from ingest.identifiers import new_id
from ingest.limits import DEFAULT_LIMITS
from ingest.models import Limits
from tests.api.conftest import BOILER
from tests.api.test_life import client  # noqa: F401 - fixture
from tests.api.test_standing import HOT, one_visit


def form_of(text: str) -> dict[str, str]:
    """Return a page's entries as a browser sends them: fields, and what is chosen of each list."""
    out = dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', text))
    out |= dict(re.findall(r'<input[^>]* name="([^"]+)" type="date" value="([^"]*)"', text))
    for name, inside in re.findall(r'<select name="([^"]+)"[^>]*>(.*?)</select>', text, re.S):
        out[name] = (re.findall(r'value="(\w+)" selected', inside) or ["o2_dry"])[0]
    return out


def limits_of(client: TestClient, boiler: str) -> Any:  # noqa: F811
    return client.get(f"/v1/boilers/{boiler}").json()["limits"]


def recent(client: TestClient) -> tuple[str, str]:  # noqa: F811
    identity = str(new_id())
    assert client.put(f"/v1/boilers/{identity}", json=BOILER).status_code == 200
    clock = client.app.state.intake.book.clock  # type: ignore[attr-defined]
    return identity, one_visit(client, identity, f"{clock():%Y-%m-%d}", HOT)["id"]


def tried(client: TestClient, address: str, **changed: str) -> tuple[str, dict[str, str]]:  # noqa: F811
    """Return the page of a preview, and its form."""
    form = form_of(client.get(address).text)
    answer = client.post(address, data={**form, **changed, "act": "preview"})
    assert answer.status_code == 200, answer.text
    return answer.text, form_of(answer.text)


def counted(text: str, rule: str) -> list[tuple[str, str]]:
    """Return the counts of a rule, now and with the limits tried."""
    row = rf'/help/rules/{rule}">.*?</th>.*?</td><td>(\d+)</td><td>(\d+)</td>'
    return re.findall(row, text)


def test_limits_are_tried_and_nothing_is_stored(client: TestClient) -> None:  # noqa: F811
    boiler, visit = recent(client)
    address, before = f"/boilers/{boiler}/limits", limits_of(client, boiler)
    assert form_of(client.get(address).text)["stack_temperature_max"] == "455"
    text, _form = tried(client, address)
    assert "1 finished visit from" in text
    assert "No finding comes or goes" in text
    text, _form = tried(client, address, stack_temperature_max="500")
    assert f'href="/visits/{visit}"' in text
    assert "no longer:</b> Stack temperature is" in text
    assert counted(text, "stack_temperature_high") == [("1", "0")]
    text, _form = tried(client, address, co_air_free_check="5")
    assert "new:</b> CO air-free is" in text
    long_ago = {"since": "2001-01-01", "until": "2001-12-31"}
    text, _form = tried(client, address, stack_temperature_max="500", **long_ago)
    assert "nothing could be tried" in text
    assert limits_of(client, boiler) == before


def test_limits_are_kept_with_who_and_why_once_tried(client: TestClient) -> None:  # noqa: F811
    boiler, visit = recent(client)
    held = client.get(f"/v1/visits/{visit}").json()["judgement"]
    address = f"/boilers/{boiler}/limits"
    _text, form = tried(client, address, stack_temperature_max="500")
    asked = {**form, "act": "keep", "who": "R. Two"}
    assert client.post(address, data=asked).status_code == 422  # no reason
    wrong = {**asked, "why": "manual", "stack_temperature_max": "hot"}
    refused = client.post(address, data=wrong)
    assert refused.status_code == 422
    assert "hot is not a number" in refused.text
    unseen = client.post(address, data={**asked, "why": "x", "stack_temperature_max": "600"})
    assert unseen.status_code == 422
    assert "not the limits that were tried" in unseen.text
    kept = client.post(address, data={**asked, "why": "manual, page 9"}, follow_redirects=False)
    assert kept.status_code == 303, kept.text
    now = limits_of(client, boiler)
    assert now["stack_temperature_max"] == pytest.approx(260.0)
    assert [t["firing_rate"] for t in now["targets"]] == [25, 100]
    page = client.get(address).text
    assert "by R. Two: manual, page 9" in page
    # The same again changes nothing; another one was decided on an older version.
    assert client.post(address, data={**asked, "why": "again"}).status_code == 200
    _text, other = tried(client, address, stack_temperature_max="510", version=form["version"])
    stale = {**other, "act": "keep", "who": "R. Two", "why": "again"}
    assert client.post(address, data=stale).status_code == 422
    assert client.get(f"/v1/visits/{visit}").json()["judgement"] == held
    trail = client.get("/audit").text
    assert "limits changed" in trail
    assert "manual, page 9" in trail


def test_company_limits_stand_under_the_boilers_own(client: TestClient) -> None:  # noqa: F811
    own, _visit = recent(client)
    bare = str(new_id())
    limits = {k: v for k, v in BOILER["limits"].items() if k != "stack_temperature_max"}
    client.put(f"/v1/boilers/{bare}", json={**BOILER, "limits": limits})
    clock = client.app.state.intake.book.clock  # type: ignore[attr-defined]
    visit = one_visit(client, bare, f"{clock():%Y-%m-%d}", HOT)["id"]
    text, form = tried(client, "/limits", stack_temperature_max="400")
    # The boiler that states 455 degF keeps its finding; the one that states none gains one.
    assert counted(text, "stack_temperature_high") == [("1", "2")]
    assert "Newly flagged" in text or "Flagged otherwise" in text
    assert f'href="/visits/{visit}"' in text
    asked = {**form, "act": "keep", "who": "R. Two", "why": "insurer's letter"}
    answer = client.post("/limits", data=asked, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    page = client.get("/limits").text
    assert 'value="400"' in page
    assert "by R. Two: insurer&#39;s letter" in page
    assert "Otherwise 400 °F, the company's (stated for the company)" in client.get(
        f"/boilers/{own}/limits"
    ).text.replace("&#39;", "'")
    trail = client.get("/audit").text
    assert "company limits changed" in trail
    assert 'href="/limits"' in trail
    stale = client.post("/limits", data={**asked, "stack_temperature_max": "410"})
    assert stale.status_code == 422


def test_the_company_s_curve_is_told_with_the_reader_s_decimal_sign(client: TestClient) -> None:  # noqa: F811
    identity = str(new_id())
    assert client.put(f"/v1/boilers/{identity}", json=BOILER).status_code == 200
    curve = {"rate.0": "46.7", "low.0": "3.5", "high.0": "5", "rate.1": "100", "low.1": "3",
             "high.1": "5"}  # fmt: skip
    _text, form = tried(client, "/limits", **curve)
    asked = {**form, "act": "keep", "who": "R. Two", "why": "insurer's letter"}
    assert client.post("/limits", data=asked, follow_redirects=False).status_code == 303
    for language, said in (("en", "46.7 %, 100 %"), ("es", "46,7 %, 100 %")):
        page = client.get(f"/boilers/{identity}/limits", headers={"accept-language": language})
        assert said in page.text


def test_built_in_values_stand_beside_with_their_source(client: TestClient) -> None:  # noqa: F811
    page = client.get("/limits").text
    for key, found in DEFAULT_LIMITS.items():
        if key in FIELDS:
            assert found.source.replace("degF", "°F").replace("'", "&#39;") in page, key
    assert "Built in: 35 ppm" in page
    assert "Built in: oil: 120 °F" in page  # 48.9 degC


def test_a_looser_stop_is_told(client: TestClient) -> None:  # noqa: F811
    text, _form = tried(client, "/limits", room_co_stop="50")
    assert "50 ppm is looser than the built-in 35 ppm" in text
    text, _form = tried(client, "/limits", co_air_free_check="250")
    assert "do not rise from check to stop" in text


def test_every_limit_of_the_model_is_on_the_form() -> None:
    apart = {"targets", "stack_temperature_by_rate", "source"}
    assert set(FIELDS) == set(Limits.model_fields) - apart


@pytest.mark.parametrize("system", ["us", "si"])
def test_a_form_left_as_it_is_changes_no_number(system: Any) -> None:
    stated = limits_from(
        {
            "co_air_free_fix": 150,
            "stack_temperature_max": {"value": 233.333, "unit": "degC"},
            "approach_rise_max": {"value": 11.111, "unit": "K"},
            "manifold_pressure": {"low": {"value": 812.3, "unit": "Pa"}},
            "stack_draft": {
                "low": {"value": -12.4, "unit": "Pa"},
                "high": {"value": -2.5, "unit": "Pa"},
            },
            "required_rates": [25, 62.5, 100],
            "calibration_interval_days": 180,
            "targets": [
                {"firing_rate": 25, "fuel": "propane", "co2_dry": {"low": 9.125}},
                {"firing_rate": 100, "o2_dry": {"low": 3, "aim": 3.5, "high": 4}},
            ],
            "stack_temperature_by_rate": [
                {"firing_rate": 50, "stack_temperature_max": {"value": 199.9, "unit": "degC"}}
            ],
            "decision_beyond": 0.9,
            "source": "handbook",
        }
    )
    shown = Shown(system)
    asked, problems = limits_asked(entries_of(stated, shown), stated, shown)
    assert problems == []
    assert asked == stated


def test_a_difference_is_no_temperature() -> None:
    """A rise of 20 degF is 11.1 K, not -6.7: 5/9 by definition of the degree Fahrenheit."""
    asked, problems = limits_asked({"approach_rise_max": "20"}, Limits(), Shown("us"))
    assert problems == []
    assert asked is not None
    assert asked.approach_rise_max == pytest.approx(100 / 9)
