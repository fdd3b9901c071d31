"""The command ``compute``: a table of readings with every computed column, or one case for people.

Exit statuses: 0 computed, with refused values named in their row; 2 could not be read; 64 wrong
usage.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.console import Console
from rich.table import Table

from combustion.compute import CONVENTIONS, OUTPUTS
from combustion.compute import compute as compute_columns
from combustion.fuel_text import FuelError, fuel_from_text
from combustion.quantities import QUANTITIES
from combustion.uncertainty import Accuracy, accuracy_from_text
from combustion.units import UnitError, conversion
from ingest.compute_table import ComputedTable, computed_table
from ingest.statements import saved_maps, usage
from parsers import ReadError, ReadOptions

UNREADABLE, USAGE = 2, 64
CAUTION = (
    "Computed from the values given, no more: local codes, the boiler's own instructions and "
    "licensed practice decide."
)

# Option -> glossary key, and whether a bare number is taken in the canonical unit. A bare number
# for a temperature or pressure is refused: nobody guesses degF.
_OPTIONS: dict[str, tuple[str, bool]] = {
    "o2": ("o2_dry", True),
    "co2": ("co2_dry", True),
    "co": ("co_dry", True),
    "no": ("no_dry", True),
    "no2": ("no2_dry", True),
    "nox": ("nox_dry", True),
    "stack": ("stack_temperature", False),
    "air": ("combustion_air_temperature", False),
    "humidity": ("relative_humidity", True),
    "pressure": ("barometric_pressure", False),
    "altitude": ("altitude", False),
}


def _quantity(option: str, text: str) -> float:
    key, bare = _OPTIONS[option]
    canonical = QUANTITIES[key].unit
    found = re.fullmatch(r"\s*([-+]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(.*?)\s*", text)
    if found is None:
        raise usage(f"--{option} {text!r}: expected a number with its unit, such as 5{canonical}")
    number, unit = float(found[1].replace(",", ".")), found[2]
    if not unit:
        if bare:
            return number
        raise usage(f"--{option} {text!r}: write its unit too, such as {number:g}{canonical}")
    try:
        return conversion(unit, canonical)(number)
    except UnitError as error:
        raise usage(f"--{option} {text!r}: {error}") from error


def _accuracies(stated: list[str]) -> dict[str, Accuracy]:
    found = {}
    for text in stated:
        name, mark, rest = text.partition("=")
        name = name.strip()
        key = _OPTIONS[name][0] if name in _OPTIONS else name
        if not mark or key not in {k for k, _ in _OPTIONS.values()}:
            raise usage(
                f"--accuracy {text!r}: expected such as 'o2=0.2', 'stack=2degC', "
                f"'co=5ppm or 10% of reading, k=2'; quantities are {', '.join(_OPTIONS)}"
            )
        try:
            absolute, unit, percent, coverage = accuracy_from_text(rest)
            if unit:
                # A difference: the offset of a temperature scale has no part in it.
                absolute *= conversion(unit, QUANTITIES[key].unit).factor
            found[key] = Accuracy(absolute, percent, coverage)
        except ValueError as error:
            raise usage(f"--accuracy {text!r}: {error}") from error
    return found


def compute(
    file: Annotated[
        Path | None, typer.Argument(help="A table of readings; none for one case by options.")
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option(help="A name, 'mol:CH4=95 N2=5' or 'mass:C=87 ... gross=45MJ/kg'"),
    ] = None,
    o2: Annotated[str | None, typer.Option(help="O2, % dry.")] = None,
    co2: Annotated[str | None, typer.Option(help="CO2, % dry; used where O2 is missing.")] = None,
    co: Annotated[str | None, typer.Option(help="CO, ppm dry.")] = None,
    no: Annotated[str | None, typer.Option(help="NO, ppm dry.")] = None,
    no2: Annotated[str | None, typer.Option(help="NO2, ppm dry.")] = None,
    nox: Annotated[str | None, typer.Option(help="NOx, ppm dry.")] = None,
    stack: Annotated[str | None, typer.Option(help="Stack temperature with unit: 180degC.")] = None,
    air: Annotated[
        str | None, typer.Option(help="Combustion air temperature with unit: 68degF.")
    ] = None,
    humidity: Annotated[str | None, typer.Option(help="Relative humidity of the air, %.")] = None,
    pressure: Annotated[
        str | None, typer.Option(help="Absolute air pressure with unit: 1013mbar.")
    ] = None,
    altitude: Annotated[str | None, typer.Option(help="Altitude with unit: 500m, 1640ft.")] = None,
    accuracy: Annotated[
        list[str] | None,
        typer.Option(help="Instrument accuracy: o2=0.2, 'co=5ppm or 10% of reading, k=2'."),
    ] = None,
    no2_share: Annotated[
        float | None, typer.Option(help="Assumed share of NO2 in NOx, %, where only NO is known.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write to this .csv or .parquet file.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="fluebook.compute/1.")] = False,
) -> None:
    """Add excess air, losses, efficiency, dew point and emissions to readings."""
    texts = {
        "o2": o2, "co2": co2, "co": co, "no": no, "no2": no2, "nox": nox, "stack": stack,
        "air": air, "humidity": humidity, "pressure": pressure, "altitude": altitude,
    }  # fmt: skip
    stated = {
        _OPTIONS[option][0]: _quantity(option, text)
        for option, text in texts.items()
        if text is not None
    }
    accuracies = _accuracies(accuracy or [])
    if no2_share is not None and not 0.0 <= no2_share < 100.0:
        raise usage("--no2-share: expected a per cent from 0 to below 100")
    if out is not None and out.suffix.lower() not in (".csv", ".parquet"):
        raise usage(f"--out {out}: expected a name ending in .csv or .parquet")
    if file is None:
        _one_case(stated, fuel, accuracies, no2_share, as_json)
        return
    if not file.is_file():
        raise usage(f"{file}: there is no such file")
    if fuel is not None:
        _checked_fuel(fuel)
    try:
        table = computed_table(
            file.read_bytes(),
            file.name,
            options=ReadOptions(maps=saved_maps()),
            fuel=fuel,
            accuracies=accuracies,
            constants=stated,
            no2_share_percent=no2_share,
        )
    except ReadError as error:
        for line in error.lines():
            typer.echo(line, err=True)
        raise typer.Exit(UNREADABLE) from error
    for line in table.said:
        typer.echo(f"note: {line}", err=True)
    if as_json:
        typer.echo(json.dumps(_json(table), ensure_ascii=False))
    elif out is None:
        typer.echo(_csv(table), nl=False)
    elif out.suffix.lower() == ".csv":
        out.write_text(_csv(table), encoding="utf-8", newline="")
    else:
        _parquet(table, out)


def _checked_fuel(text: str) -> Any:
    try:
        return fuel_from_text(text)
    except FuelError as error:
        raise usage(f"--fuel: {error}") from error


def added_headings(table: ComputedTable) -> list[tuple[str, str, np.ndarray]]:
    """Return heading, key and column of everything that is added, uncertainties behind values."""
    found = []
    for key in OUTPUTS:
        unit = QUANTITIES[key].unit
        found.append((f"{key} [{unit}]", key, table.computed.values[key]))
        if table.computed.u:
            found.append((f"u({key}) [{unit}]", key, table.computed.u[key]))
    taken = set(table.headings)
    return [(f"computed {h}" if h in taken else h, k, c) for h, k, c in found]


def _refused_text(table: ComputedTable, row: int) -> str:
    return _together(tuple(table.refused(row).items()))


@lru_cache(maxsize=4096)
def _together(refused: tuple[tuple[str, str], ...]) -> str:
    # Outputs with one reason are said together: "co_air_free, co_at_3_o2: why".
    by_reason: dict[str, list[str]] = {}
    for key, why in refused:
        by_reason.setdefault(why, []).append(key)
    return "; ".join(f"{', '.join(keys)}: {why}" for why, keys in by_reason.items())


def _shown(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.10g}"


def _csv(table: ComputedTable) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    added = added_headings(table)
    writer.writerow([*table.headings, *(h for h, _, _ in added), "refused"])
    columns = [column.tolist() for _, _, column in added]
    for row, cells in enumerate(table.cells):
        numbers = [_shown(column[row]) for column in columns]
        writer.writerow([*cells, *numbers, _refused_text(table, row)])
    return text.getvalue()


def _parquet(table: ComputedTable, out: Path) -> None:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise usage("--out *.parquet needs pyarrow: install fluebook[parquet]") from error
    fields, columns = [], []
    names: dict[str, int] = {}
    for i, heading in enumerate(table.headings):
        names[heading] = names.get(heading, 0) + 1
        name = heading if names[heading] == 1 else f"{heading} ({names[heading]})"
        fields.append(pa.field(name, pa.string()))
        columns.append(pa.array([row[i] for row in table.cells], pa.string()))
    for heading, key, column in added_headings(table):
        fields.append(pa.field(heading, pa.float64(), metadata={"unit": QUANTITIES[key].unit}))
        columns.append(pa.array(column, pa.float64(), mask=np.isnan(column)))
    fields.append(pa.field("refused", pa.string()))
    refused = [_refused_text(table, row) for row in range(len(table.cells))]
    columns.append(pa.array(refused, pa.string()))
    schema = pa.schema(fields, metadata={"conventions": json.dumps(dict(CONVENTIONS))})
    pq.write_table(pa.table(columns, schema=schema), out)


def _json(table: ComputedTable) -> dict[str, object]:
    values = {k: v.tolist() for k, v in table.computed.values.items()}
    u = {k: v.tolist() for k, v in table.computed.u.items()}
    return {
        "format": "fluebook.compute/1",
        "conventions": dict(CONVENTIONS),
        "notes": table.said,
        "rows": [
            {
                "row": row + 1,
                "line": table.lines[row],
                "values": _numbers(values, row),
                "u": _numbers(u, row),
                "refused": table.refused(row),
                "input": dict(zip(table.headings, table.cells[row], strict=False)),
            }
            for row in range(len(table.cells))
        ],
    }


def _numbers(columns: dict[str, list[float]], row: int) -> dict[str, float]:
    return {k: v[row] for k, v in columns.items() if not math.isnan(v[row])}


def _one_case(
    stated: dict[str, float],
    fuel: str | None,
    accuracies: dict[str, Accuracy],
    no2_share: float | None,
    as_json: bool,
) -> None:
    if fuel is None:
        raise usage("--fuel is needed: such as --fuel 'natural gas'")
    if not stated:
        raise usage("give a file, or readings such as --o2 5 --co 40 --stack 180degC --air 20degC")
    burnt = _checked_fuel(fuel)
    done = compute_columns(
        {key: [value] for key, value in stated.items()},
        burnt,
        accuracies=accuracies or None,
        no2_share_percent=no2_share,
    )
    refused = done.refused(0)
    if as_json:
        values = {k: v.tolist() for k, v in done.values.items()}
        u = {k: v.tolist() for k, v in done.u.items()}
        row = {
            "row": 1,
            "line": None,
            "values": _numbers(values, 0),
            "u": _numbers(u, 0),
            "refused": refused,
        }
        body = {
            "format": "fluebook.compute/1",
            "conventions": dict(CONVENTIONS),
            "notes": [f"fuel {burnt.name!r}: {burnt.note}"] if burnt.note else [],
            "rows": [row],
        }
        typer.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    console = Console()
    table = Table(title=burnt.name, title_justify="left")
    table.add_column("quantity")
    table.add_column("value", justify="right")
    table.add_column("unit")
    if done.u:
        table.add_column("u (k = 1)", justify="right")
    for key in OUTPUTS:
        if key in refused:
            continue
        q = QUANTITIES[key]
        cells = [q.label, f"{done.values[key][0]:.{q.decimals}f}", "" if q.unit == "1" else q.unit]
        if done.u:
            cells.append(f"{done.u[key][0]:.2g}")
        table.add_row(*cells)
    console.print(table)
    by_reason: dict[str, list[str]] = {}
    for key, why in refused.items():
        by_reason.setdefault(why, []).append(QUANTITIES[key].label)
    for why, labels in by_reason.items():
        console.print(f"missing: {', '.join(labels)}: {why}", markup=False, highlight=False)
    if burnt.note:
        console.print(f"note: {burnt.note}", markup=False, highlight=False)
    console.print(f"CO loss: {CONVENTIONS['co_loss']}.", markup=False, highlight=False)
    console.print(CAUTION, markup=False, highlight=False)
