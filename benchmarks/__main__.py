"""Run every benchmark: ``python -m benchmarks [NAME ...]``.

Each module here offers ``run()``, which returns rows of (what, measured, bound, unit). A row with a
bound is a ratio against a floor measured in the same run and fails the bench when it exceeds it, or
stays under one that is an ``AtLeast``; a row without one informs. Modules with a name that starts
with ``_`` help others.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import platform
import sys

import benchmarks

Row = tuple[str, float, float | None, str]


def machine() -> str:
    """Return one line saying what the absolute times were measured on."""
    return (
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"{platform.system()}"
    )


def main(names: list[str]) -> int:
    """Run the named benchmarks, all by default; return 1 where a bound is exceeded."""
    known = [m.name for m in pkgutil.iter_modules(benchmarks.__path__) if m.name[0] != "_"]
    unknown = sorted(set(names) - set(known))
    if unknown:
        print(f"no benchmark named {', '.join(unknown)}; there are {', '.join(known)}")
        return 64
    print(machine())
    failed = False
    for name in names or known:
        print(f"\n{name}")
        rows: list[Row] = importlib.import_module(f"benchmarks.{name}").run()
        for what, measured, bound, unit in rows:
            verdict = ""
            if bound is not None:
                least = isinstance(bound, benchmarks.AtLeast)
                missed = measured < bound if least else measured > bound
                failed |= missed
                side, not_met = ("least", "UNDER") if least else ("most", "OVER")
                verdict = f"  (at {side} {bound:g}: {not_met if missed else 'met'})"
            print(f"  {what:<66} {measured:>12.4g} {unit}{verdict}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
