"""A long log of twelve columns, as tests and benchmarks read it."""

from __future__ import annotations

import numpy as np

HEADINGS = (
    "Zeit;O2 [%];CO2 [%];CO [ppm];NO [ppm];NO2 [ppm];NOx [ppm];Abgastemperatur [°C];"
    "Lufttemperatur [°C];Kaminzug [Pa];Vorlauftemperatur [°C];Rücklauftemperatur [°C]"
)
PREAMBLE = "Anlage;Heizwerk Nord\nBeginn;2026-11-01\nBediener;\n\n"


def log(rows: int) -> bytes:
    """Return a log of 12 columns with preamble, semicolons and decimal commas."""
    rng = np.random.default_rng(7)
    start = np.datetime64("2026-11-01T00:00:00")
    times = np.datetime_as_string(start + np.arange(rows), unit="s")
    levels = (4.0, 9.7, 20.0, 30.0, 1.0, 31.0, 150.0, 20.0, -10.0, 70.0, 50.0)
    columns = [np.round(v + np.abs(v) * 0.05 * rng.standard_normal(rows), 2) for v in levels]
    lines = [PREAMBLE + HEADINGS]
    cells = [np.char.mod("%.2f", c) for c in columns]
    lines += [
        f"{t.replace('T', ' ')};" + ";".join(row).replace(".", ",")
        for t, row in zip(
            times.tolist(), zip(*(c.tolist() for c in cells), strict=True), strict=True
        )
    ]
    return ("\n".join(lines) + "\n").encode()
