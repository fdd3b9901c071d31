"""Limits: which level applies, where it came from, and the snapshot that hand-in freezes."""

from __future__ import annotations

import json

import pytest

from ingest.limits import DEFAULT_LIMITS, held_to, resolve_limits
from ingest.models import Boiler, Limits
from ingest.rules.curve import interpolated
from tests.ingest.cases import boiler


def test_boiler_over_model_over_company_over_default() -> None:
    of = boiler(limits={"co_air_free_check": 50, "targets": []})
    model = Limits(co_air_free_check=60, co_air_free_fix=150, source="model sheet")
    company = Limits(co_air_free_check=70, co_air_free_fix=160, co_air_free_stop=300)
    held = resolve_limits(of, model=model, company=company)
    keys = ("co_air_free_check", "co_air_free_fix", "co_air_free_stop", "room_co_stop")
    shown = {k: (held.number(k), held.limits[k].source.level) for k in keys}
    assert shown == {
        "co_air_free_check": (50.0, "boiler"),
        "co_air_free_fix": (150.0, "model"),
        "co_air_free_stop": (300.0, "company"),
        "room_co_stop": (35.0, "default"),
    }
    assert held.limits["co_air_free_fix"].source.text == "model sheet"


def test_targets_come_whole_from_the_nearest_level_that_states_any() -> None:
    company = Limits.model_validate({"targets": [{"firing_rate": 50, "o2_dry": {"low": 3}}]})
    assert resolve_limits(Boiler(), company=company).targets_source is not None
    held = resolve_limits(boiler(), company=company)
    assert held.targets_source is not None and held.targets_source.level == "boiler"
    assert [t.firing_rate for t in held.targets] == [20.0, 100.0]


def test_a_condensing_boiler_and_its_vent_have_their_own_defaults() -> None:
    plain = resolve_limits(Boiler())
    other = resolve_limits(Boiler(condensing=True, vent="pvc"))
    assert plain.number("approach_rise_max") == 12.0
    assert other.number("approach_rise_max") == 7.0
    assert plain.get("vent_temperature_max") is None
    assert other.number("vent_temperature_max") == 65.0


def test_the_snapshot_is_named_by_what_it_says() -> None:
    one, again = resolve_limits(boiler()), resolve_limits(boiler())
    changed = resolve_limits(boiler(limits={"co_air_free_check": 99}))
    assert (one.id, one.sha256) == (again.id, again.sha256)
    assert changed.sha256 != one.sha256
    assert one.id == f"limits-{one.sha256[:12]}" and len(one.sha256) == 64
    json.dumps(dict(one.snapshot))


def test_every_default_has_a_source_and_a_status() -> None:
    for key, limit in DEFAULT_LIMITS.items():
        assert limit.source and limit.status, key


def test_a_company_may_state_another_decision_rule() -> None:
    held = resolve_limits(Boiler(), company=Limits(decision_beyond=0.99))
    assert held.number("decision_beyond") == 0.99


@pytest.mark.published
def test_defaults_that_a_document_states() -> None:
    # NIOSH criteria document, 1972, abstract (read): 35 ppm over 8 h, ceiling 200 ppm.
    # EPA ambient standard, 40 CFR 50.8 (quoted): 9 ppm over 8 h.
    # ANSI Z21 series (quoted): 400 ppm air-free for vented gas heating equipment.
    held = resolve_limits(Boiler())
    assert held.number("room_co_stop") == 35.0
    assert held.number("room_co_no_entry") == 200.0
    assert held.number("room_co_check") == 9.0
    assert held.number("co_air_free_stop") == 400.0
    # 130 degF (quoted, a state commerce department).
    assert held.number("return_water_min") == pytest.approx((130 - 32) / 1.8, abs=0.05)


def test_the_curve_is_level_beyond_its_ends() -> None:
    curve = [(20.0, (4.0, 5.0, 6.0)), (100.0, (2.0, 3.0, 4.0))]
    assert interpolated(curve, 5.0) == (4.0, 5.0, 6.0)
    assert interpolated(curve, 110.0) == (2.0, 3.0, 4.0)


def test_a_snapshot_gives_its_limits_again() -> None:
    stated = {
        "gas_inlet_pressure": {"low": 1200, "high": 3500},
        "required_rates": [20, 100],
        "stack_temperature_by_rate": [{"firing_rate": 100, "stack_temperature_max": 210}],
    }
    company = Limits.model_validate(stated | {"source": "office rule 7"})
    whole = resolve_limits(boiler(), company=company)
    again = held_to(json.loads(json.dumps(dict(whole.snapshot))))
    assert (again.sha256, again.limits, again.targets) == (
        whole.sha256,
        whole.limits,
        whole.targets,
    )
    assert again == whole
