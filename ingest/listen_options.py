"""What the command ``listen`` was told, checked and made into what listening takes."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import typer

from combustion.quantities import QUANTITIES
from ingest.port import PortSettings
from parsers.line_rules import Checksum
from parsers.maps import map_from_json
from parsers.stream_events import StreamRules

USAGE = 64


def usage(message: str) -> typer.Exit:
    """Say how the command is used; return what ends it."""
    typer.echo(message, err=True)
    return typer.Exit(USAGE)


def settings_of(baud: int, bits: int, parity: str, stop: float, flow: str) -> PortSettings:
    """Return how a port speaks."""
    if bits not in (5, 6, 7, 8) or parity not in ("none", "even", "odd", "mark", "space"):
        raise usage("--bits is 5 to 8; --parity none, even, odd, mark or space")
    if stop not in (1, 1.5, 2) or flow not in ("none", "rtscts", "xonxoff", "dsrdtr"):
        raise usage("--stop is 1, 1.5 or 2; --flow none, rtscts, xonxoff or dsrdtr")
    return PortSettings(baud, bits, parity, stop, flow)  # type: ignore[arg-type]


def rules_of(
    units: list[str],
    headings: str | None,
    decimal: str | None,
    checksum: str | None,
    map_file: Path | None,
) -> StreamRules:
    """Return what is known of the stream before it is heard."""
    stated: dict[str, str] = {}
    for text in units:
        key, equal, value = text.partition("=")
        if not equal or key not in QUANTITIES:
            raise usage(f"--unit {text!r}: expected a quantity and its unit, o2_dry=%")
        stated[key] = value
    if decimal not in (None, ".", ","):
        raise usage("--decimal is . or ,")
    if checksum is not None and checksum not in get_args(Checksum):
        raise usage(f"--checksum is one of {', '.join(get_args(Checksum))}")
    taught = None
    if map_file is not None:
        try:
            taught = map_from_json(map_file.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise usage(f"--map {map_file}: {error}") from error
    delimiter = None
    cells: tuple[str, ...] = ()
    if headings is not None:
        delimiter = next((d for d in (";", "\t", "|", ",") if d in headings), ";")
        cells = tuple(c.strip() for c in headings.split(delimiter))
    return StreamRules(
        checksum=checksum,  # type: ignore[arg-type]
        headings=cells,
        delimiter=delimiter,
        decimal=decimal,  # type: ignore[arg-type]
        units=stated,
        map=taught,
    )


def rates_of(text: str | None) -> tuple[float, ...]:
    """Return the firing rates that a boiler is tested at [%]."""
    try:
        return tuple(float(p) for p in (text or "").replace(";", ",").split(",") if p.strip())
    except ValueError as error:
        raise usage(f"--rates {text!r}: expected numbers such as 20,50,100") from error
