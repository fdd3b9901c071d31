"""The commands ``read`` and ``maps``: what is in a file, how it was understood, what is taught.

Exit statuses: 0 read, 2 could not be read, 64 wrong usage.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from combustion.quantities import MEASURED, QUANTITIES
from ingest.command_options import (
    DayFirst,
    Decimal,
    Fuel,
    Lines,
    MapFile,
    MapName,
    Phase,
    Rates,
    SiteZone,
    Unit,
)
from ingest.statements import (
    line_range_stated,
    maps_folder,
    options_stated,
    phase_stated,
    rates_stated,
    usage,
)
from parsers import (
    ReadError,
    Reading,
    ReadResult,
    assign,
    read_json,
)
from parsers import read as read_bytes
from parsers.line_rules import line_rules_from
from parsers.maps import ColumnMap, heading_rows, map_from_json, map_json, taught
from parsers.rate_marks import percent_of
from parsers.text import decoded, physical_lines

UNREADABLE = 2
_SHOWN = 40


def read(
    file: Annotated[Path, typer.Argument(help="The instrument's file, as it was exported.")],
    as_json: Annotated[bool, typer.Option("--json", help="fluebook.read/1.")] = False,
    explain: Annotated[
        bool, typer.Option("--explain", help="How each column and line was understood, and why.")
    ] = False,
    cut: Annotated[
        bool,
        typer.Option(
            "--cut", help="A continuous log: its proposed cut; --rates is then the boiler's list."
        ),
    ] = False,
    response_time: Annotated[
        float | None,
        typer.Option(
            help="With --cut: seconds of the instrument to 90 % of a step.", min=1, max=600
        ),
    ] = None,
    map_file: MapFile = None,
    rates: Rates = None,
    phase: Phase = None,
    fuel: Fuel = None,
    burner: Annotated[str | None, typer.Option(help="Burner of all readings.")] = None,
    lines: Lines = None,
    unit: Unit = None,
    site_zone: SiteZone = None,
    day_first: DayFirst = None,
    decimal: Decimal = None,
    started: Annotated[
        str | None, typer.Option(help="Start of a log with elapsed times: 2026-03-04T09:30.")
    ] = None,
) -> None:
    """Read an analyzer file and show what was understood, and what was not."""
    if not file.is_file():
        raise usage(f"{file}: there is no such file")
    if cut and as_json:
        raise usage("--cut shows a table; the cut as JSON comes from the API (fluebook.cut/1)")
    options = options_stated(
        unit=unit,
        site_zone=site_zone,
        day_first=day_first,
        decimal=decimal,
        map_file=map_file,
        started=started,
    )
    stated = [line_range_stated(text) for text in lines or []]
    try:
        result = read_bytes(file.read_bytes(), file.name, options=options)
        numbers = rates_stated(rates)
        percents = percent_of(result.rate_marks, numbers or []) if cut else None
        if percents:
            known = replace(options, marks=percents)
            result = read_bytes(file.read_bytes(), file.name, options=known)
        if not cut and any((numbers, phase, fuel, burner, stated)):
            given = assign(
                result.readings,
                rates=numbers,
                phase=phase_stated(phase),
                fuel=fuel,
                burner=burner,
                line_ranges=stated,
                file=file.name,
            )
            result = replace(result, readings=given)
    except ReadError as error:
        if as_json:
            typer.echo(json.dumps(_problems_json(error), ensure_ascii=False, indent=2))
        for line in error.lines():
            typer.echo(line, err=True)
        raise typer.Exit(UNREADABLE) from error
    if as_json:
        typer.echo(json.dumps(read_json(result), ensure_ascii=False, indent=2))
        return
    console = Console()
    if cut:
        _cut(result, numbers or [], percents, response_time, console)
    elif explain:
        _explain(result, console)
    else:
        _readings(result, console)
    _account(result, console)


def _cut(
    result: ReadResult,
    rates: list[float],
    percents: dict[str, float] | None,
    response_time: float | None,
    console: Console,
) -> None:
    # Cutting needs numpy; reading alone does not wait for it.
    from ingest.cut_command import cut_table

    table, said = cut_table(result, rates, percents, response_time=response_time)
    if table is None:
        typer.echo(f"{result.name}: {said}", err=True)
        raise typer.Exit(UNREADABLE)
    console.print(table)
    console.print(said)


def _problems_json(error: ReadError) -> dict[str, object]:
    return {
        "format": "fluebook.read-problems/1",
        "file": error.file,
        "kind": type(error).__name__,
        "problems": [
            {
                "code": p.code,
                "line": p.line,
                "column": p.column,
                "raw": p.raw,
                "sheet": p.sheet,
                "message": p.message,
                "expected": p.expected,
                "next_step": p.next_step,
            }
            for p in error.problems
        ],
    }


def _readings(result: ReadResult, console: Console) -> None:
    shown = [result.readings[i] for i in range(min(len(result.readings), _SHOWN))]
    keys = list(dict.fromkeys(q for r in shown for q in (*r.values, *r.bounds)))
    table = Table(title=f"{result.name}: {len(result.readings)} readings", title_justify="left")
    table.add_column("line")
    for title, used in (
        ("time", any(r.time for r in shown)),
        ("phase", any(r.phase for r in shown)),
        ("fuel", any(r.fuel for r in shown)),
    ):
        if used:
            table.add_column(title)
    keys = [k for k in keys if k != "firing_rate"]
    rated = any(r.firing_rate is not None for r in shown)
    if rated:
        table.add_column("rate %", justify="right")
    for key in keys:
        quantity = QUANTITIES[key]
        table.add_column(f"{quantity.label}\n{quantity.unit}", justify="right")
    for r in shown:
        row = [_span(r)]
        if any(x.time for x in shown):
            row.append(r.time.isoformat(" ") if r.time else "")
        if any(x.phase for x in shown):
            row.append((r.phase or "").replace("_", " "))
        if any(x.fuel for x in shown):
            row.append(escape(r.fuel or ""))
        if rated:
            row.append("" if r.firing_rate is None else f"{r.firing_rate:g}")
        row += [_value(r, key) for key in keys]
        table.add_row(*row)
    console.print(table)
    if len(result.readings) > _SHOWN:
        console.print(f"... and {len(result.readings) - _SHOWN} more")


def _span(reading: Reading) -> str:
    if not reading.lines:
        return ""
    first, last = reading.lines[0], reading.lines[-1]
    where = str(first) if first == last else f"{first}-{last}"
    return f"{reading.sheet}:{where}" if reading.sheet else where


def _value(reading: Reading, key: str) -> str:
    decimals = QUANTITIES[key].decimals
    if key in reading.values:
        return f"{reading.values[key]:.{decimals}f}"
    if key in reading.bounds:
        bound = reading.bounds[key]
        if bound.above is not None:
            return f">{bound.above:.{decimals}f}"
        return f"<{bound.below:.{decimals}f}"
    return "-"


def _explain(result: ReadResult, console: Console) -> None:
    table = Table(title=f"{result.name}: how the columns were understood", title_justify="left")
    for title in ("block", "column", "heading", "taken as", "unit", "sure", "why"):
        table.add_column(title)
    for c in result.columns:
        table.add_row(
            str(c.block + 1),
            str(c.index + 1),
            escape(c.heading),
            c.quantity or "not read as a quantity",
            escape(c.unit or ""),
            f"{c.confidence:.0%}",
            escape(c.why),
        )
    console.print(table)
    for key, value in result.preamble.items():
        console.print(f"before the readings: {escape(key)} = {escape(value)}")


def _account(result: ReadResult, console: Console) -> None:
    count = result.lines
    classes = ("reading", "heading", "units", "preamble", "summary", "blank", "not_read")
    told = ", ".join(
        f"{getattr(count, c)} {c.replace('_', ' ')}" for c in classes if getattr(count, c)
    )
    console.print(f"{count.physical} lines: {told}")
    console.print(f"SHA-256 {result.sha256}")
    for w in result.warnings:
        where = "" if w.line is None else f"line {w.line}"
        where += "" if w.column is None else f", column {w.column}"
        console.print(
            f"note {where}: {escape(w.message)}" if where else f"note: {escape(w.message)}"
        )
    for n in result.not_read:
        where = f"line {n.line}" + ("" if n.column is None else f", column {n.column}")
        console.print(f"not read {where}: {escape(n.why)} ({escape(repr(n.raw[:60]))})")


maps = typer.Typer(
    help="Teach headings once; list, show, export, import and forget taught maps.",
    no_args_is_help=True,
    add_completion=False,
)


def _path_of(name: str) -> Path:
    if not re.fullmatch(r"[\w\- ]{1,60}", name):
        raise usage(f"{name!r}: a map's name has letters, digits, blanks, - and _ only")
    return maps_folder() / f"{name}.json"


def _saved(name: str) -> ColumnMap:
    path = _path_of(name)
    if not path.is_file():
        raise usage(f"there is no map {name!r}; fluebook maps list shows them")
    try:
        return map_from_json(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise usage(f"{path}: {error}") from error


def _save(one: ColumnMap) -> Path:
    path = _path_of(one.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        json.dumps(map_json(one), ensure_ascii=False, indent=2) + "\n", encoding="utf-8"
    )
    return path


@maps.command()
def teach(
    file: Annotated[Path, typer.Argument(help="A file whose headings are to be taught.")],
    name: MapName,
    column: Annotated[
        list[str] | None,
        typer.Option(help='What a heading means: "Kanal 1=o2_dry[%]", "K9=ignore", "Zt=time".'),
    ] = None,
    line: Annotated[
        int | None, typer.Option(help="The line of the headings, if not found.")
    ] = None,
    line_end: Annotated[
        str | None, typer.Option(help="How a stream's lines end: crlf, lf or cr.")
    ] = None,
    checksum: Annotated[
        str | None, typer.Option(help="A stream's lines carry xor8, sum8, crc16 or crc32.")
    ] = None,
    parity_bit: Annotated[
        str | None, typer.Option(help="Bit 7 of a stream's bytes is parity: even or odd.")
    ] = None,
) -> None:
    """Save what the headings of a file mean; without --column show what is open."""
    stated = {"lineEnd": line_end, "checksum": checksum, "parityBit": parity_bit}
    try:
        lines = line_rules_from({key: value for key, value in stated.items() if value is not None})
    except ValueError as error:
        raise usage(str(error)) from error
    if not file.is_file():
        raise usage(f"{file}: there is no such file")
    found = heading_rows(physical_lines(decoded(file.read_bytes()).text))
    if line is not None:
        found = [f for f in found if f[0] == line]
    if not found:
        raise usage(f"{file.name}: no row of headings above numbers was found; give its --line")
    at, _, headings = found[0]
    if not column:
        draft = taught(name, headings, {})
        typer.echo(f"{file.name}, line {at}:")
        for one in draft.fields:
            unit = f" [{one.unit}]" if one.unit else ""
            typer.echo(f"  {one.heading!r}: {one.means}{unit}")
        typer.echo('State the rest: --column "HEADING=QUANTITY[UNIT]"')
        return
    try:
        pairs = dict(_pair(text) for text in column)
        path = _save(replace(taught(name, headings, pairs), lines=lines))
    except ValueError as error:
        raise usage(str(error)) from error
    typer.echo(f"saved {name!r} for the headings of line {at}: {path}")


def _pair(text: str) -> tuple[str, str]:
    heading, mark, means = text.rpartition("=")
    if not mark:
        raise ValueError(f"--column {text!r}: expected HEADING=QUANTITY[UNIT]")
    return heading.strip(), means.strip()


@maps.command("list")
def list_maps() -> None:
    """List the saved maps with their fingerprints."""
    for path in sorted(maps_folder().glob("*.json")):
        try:
            one = map_from_json(path.read_text(encoding="utf-8"))
        except ValueError as error:
            typer.echo(f"{path.stem}: broken, {error}")
            continue
        known = sum(f.means in MEASURED for f in one.fields)
        typer.echo(f"{path.stem}: {known} quantities, fingerprint {one.fingerprint}")


@maps.command()
def export(name: MapName) -> None:
    """Write a map as a Table Schema to standard output."""
    typer.echo(json.dumps(map_json(_saved(name)), ensure_ascii=False, indent=2))


@maps.command("import")
def import_map(
    file: Annotated[Path, typer.Argument(help="A Table Schema with our properties.")],
    name: Annotated[str | None, typer.Option(help="Another name for it.")] = None,
) -> None:
    """Save a map from a Table Schema."""
    try:
        one = map_from_json(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise usage(f"{file}: {error}") from error
    one = ColumnMap(name or one.name, one.fields)
    typer.echo(f"saved {one.name!r}: {_save(one)}")


@maps.command()
def edit(
    name: MapName,
    column: Annotated[list[str], typer.Option(help='"HEADING=QUANTITY[UNIT]"')],
) -> None:
    """Change what headings of a saved map mean."""
    one = _saved(name)
    try:
        pairs = {f.heading: f"{f.means}[{f.unit}]" if f.unit else f.means for f in one.fields}
        pairs |= dict(_pair(text) for text in column)
        _save(taught(name, [f.heading for f in one.fields], pairs))
    except ValueError as error:
        raise usage(str(error)) from error
    typer.echo(f"changed {name!r}")


@maps.command()
def forget(name: MapName) -> None:
    """Delete a saved map."""
    _saved(name)
    _path_of(name).unlink()
    typer.echo(f"forgot {name!r}")
