"""Reading a long log and a short file, against pandas' own reader in the same run."""

from __future__ import annotations

import gc
import io
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

ROWS, COLUMNS = 1_000_000, 12
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


def by_pandas(data: bytes) -> Any:
    """Return what pandas makes of it with the right options given."""
    import pandas

    return pandas.read_csv(
        io.BytesIO(data),
        sep=";",
        decimal=",",
        skiprows=4,
        engine="c",
        encoding="utf-8",
    )


def by_fluebook(data: bytes) -> Any:
    """Return our table: normalised columns, lines, SHA-256."""
    from parsers import read

    return read(data, "log.csv").table


def timed(work: Callable[[], Any], times: int) -> float:
    """Return the median time of a call in seconds."""
    taken = []
    for _ in range(times):
        gc.collect()
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return median(taken)


_PEAK = r"""
import re, sys
from pathlib import Path
from benchmarks import parsers as bench
warm = bench.log(2000)
bench.{how}(warm)
data = Path(sys.argv[1]).read_bytes()
result = bench.{how}(data)
# The kernel's own mark of this process; getrusage would carry over the parent's.
print(int(re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())[1]) / 1024)
"""


def peak(how: str, path: Path) -> float:
    """Return the peak memory of a fresh process that reads the file [MiB]."""
    done = subprocess.run(
        [sys.executable, "-c", _PEAK.format(how=how), str(path)],
        capture_output=True, text=True, check=True, cwd=Path(__file__).resolve().parents[1],
    )  # fmt: skip
    return float(done.stdout)


def run() -> list[tuple[str, float, float | None, str]]:
    """Measure the long log and the short file."""
    from parsers import bulk

    rows: list[tuple[str, float, float | None, str]] = []
    data = log(ROWS)
    pandas_time = timed(lambda: by_pandas(data), 3)
    own_time = timed(lambda: by_fluebook(data), 3)
    rows.append((f"pandas, {ROWS} rows x {COLUMNS}", pandas_time, None, "s"))
    if bulk.pyarrow is not None:
        rows.append(("long log over pandas, pyarrow installed", own_time / pandas_time, 1.0, "x"))
        kept, bulk.pyarrow = bulk.pyarrow, None
        try:
            without = timed(lambda: by_fluebook(data), 1)
        finally:
            bulk.pyarrow = kept
        rows.append(("long log over pandas, without pyarrow", without / pandas_time, 2.0, "x"))
    else:
        rows.append(("long log over pandas, without pyarrow", own_time / pandas_time, 2.0, "x"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_bytes(data)
        ratio = peak("by_fluebook", path) / peak("by_pandas", path)
    rows.append(("peak memory over pandas", ratio, 1.2, "x"))
    small = log(50)
    pandas_small = timed(lambda: by_pandas(small), 30)
    own_small = timed(lambda: by_fluebook(small), 30)
    rows.append(("pandas, 50 rows", 1000 * pandas_small, None, "ms"))
    rows.append(("short file over pandas", own_small / pandas_small, 4.0, "x"))
    return rows
