"""GET /v1/units: the one list of units that may stand beside a number."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import BaseModel, Field

from combustion.accepted_units import accepted_units

router = APIRouter(prefix="/v1", tags=["units"])


class Unit(BaseModel):
    """One unit that is accepted."""

    name: str = Field(description="pint's name.", examples=["inch_water_column"])
    ucum: str | None = Field(description="UCUM code, case-sensitive.", examples=["[in_i'H2O]"])
    spellings: list[str] = Field(
        description="Of the trade; case, spaces and dots do not matter, but for the prefixes m "
        "and M of mPa, MPa, mW and MW."
    )
    converts_to: list[str] = Field(description="Canonical units of quantities that it measures.")


class Units(BaseModel):
    """Every unit of the list. Beyond it any expression that pint knows is taken."""

    units: list[Unit]


@router.get("/units", summary="The units that are accepted beside a number")
def units() -> Units:
    """List UCUM codes, pint's names and the trade's spellings."""
    return Units(
        units=[
            Unit(
                name=one.name,
                ucum=one.ucum,
                spellings=list(one.spellings),
                converts_to=list(one.converts_to),
            )
            for one in accepted_units()
        ]
    )
