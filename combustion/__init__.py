"""Combustion physics: fuels, balances, losses, emissions, uncertainty; arrays in and out."""

from combustion.air import o2_on_air_scale, pressure_at_altitude, water_per_dry_air
from combustion.compute import CONVENTIONS, INPUTS, OUTPUTS, Computed
from combustion.condensation import water_dew_point
from combustion.decision import conformance_probability, decide, guarded_limit
from combustion.emissions import (
    at_reference_o2,
    co_air_free,
    co_air_free_exact,
    co_lb_per_mmbtu_by_f_factor,
    fd_from_ultimate_analysis,
    lb_per_mmbtu,
    mg_per_kwh,
    mg_per_m3,
    ng_per_j_gross,
    nox_from_no,
    nox_from_no_and_no2,
    nox_lb_per_mmbtu_by_f_factor,
)
from combustion.fuel_text import FuelError, fuel_from_text
from combustion.fuels import FUELS, Fuel, gas, hydrogen_blend, oil
from combustion.losses import HeatBalance, efficiency_gross, heat_balance, heat_balance_from_o2
from combustion.meter import (
    base_volume_factor,
    flow_from_dial,
    input_from_flow,
    input_from_oil_flow,
    metered_input,
    oil_flow_from_nozzle,
)
from combustion.money import LoadBand, YearlySaving, yearly_saving
from combustion.plausibility import (
    acid_dew_point,
    acid_dew_point_of_fuel,
    co2_departure,
    fuel_factor,
    fuels_that_fit,
)
from combustion.refusals import OutOfRange
from combustion.season import SeasonProjection, air_ratio_factor, project_season
from combustion.stoichiometry import (
    Products,
    co2_from_o2,
    excess_air_from_o2,
    lambda_from_o2,
    o2_dry_to_wet,
    o2_from_co2,
    o2_from_lambda,
    o2_wet_to_dry,
    o2_wet_to_dry_by_fuel,
    products_from_co2,
    products_from_o2,
)
from combustion.thermo import enthalpy_difference
from combustion.uncertainty import Accuracy, accuracy_from_text
from combustion.water import heat_of_vaporisation, saturation_pressure, saturation_temperature

__all__ = [
    "CONVENTIONS",
    "FUELS",
    "INPUTS",
    "OUTPUTS",
    "Accuracy",
    "Computed",
    "Fuel",
    "FuelError",
    "HeatBalance",
    "LoadBand",
    "OutOfRange",
    "Products",
    "SeasonProjection",
    "YearlySaving",
    "accuracy_from_text",
    "acid_dew_point",
    "acid_dew_point_of_fuel",
    "air_ratio_factor",
    "at_reference_o2",
    "base_volume_factor",
    "co2_departure",
    "co2_from_o2",
    "co_air_free",
    "co_air_free_exact",
    "co_lb_per_mmbtu_by_f_factor",
    "conformance_probability",
    "decide",
    "efficiency_gross",
    "enthalpy_difference",
    "excess_air_from_o2",
    "fd_from_ultimate_analysis",
    "flow_from_dial",
    "fuel_factor",
    "fuel_from_text",
    "fuels_that_fit",
    "gas",
    "guarded_limit",
    "heat_balance",
    "heat_balance_from_o2",
    "heat_of_vaporisation",
    "hydrogen_blend",
    "input_from_flow",
    "input_from_oil_flow",
    "lambda_from_o2",
    "lb_per_mmbtu",
    "metered_input",
    "mg_per_kwh",
    "mg_per_m3",
    "ng_per_j_gross",
    "nox_from_no",
    "nox_from_no_and_no2",
    "nox_lb_per_mmbtu_by_f_factor",
    "o2_dry_to_wet",
    "o2_from_co2",
    "o2_from_lambda",
    "o2_on_air_scale",
    "o2_wet_to_dry",
    "o2_wet_to_dry_by_fuel",
    "oil",
    "oil_flow_from_nozzle",
    "pressure_at_altitude",
    "products_from_co2",
    "products_from_o2",
    "project_season",
    "saturation_pressure",
    "saturation_temperature",
    "water_dew_point",
    "water_per_dry_air",
    "yearly_saving",
]
