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

from tests.parsers.logs import log

ROWS, COLUMNS = 1_000_000, 12


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
