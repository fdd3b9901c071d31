"""Lists of values in a statement: a name for each, as SQLite takes no list for one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


def named(prefix: str, values: Sequence[Any]) -> tuple[str, dict[str, Any]]:
    """Return what stands between the brackets of ``IN (...)``, and what its names are given.

    >>> named("v", ["a", "b"]), named("v", [])
    ((':v0, :v1', {'v0': 'a', 'v1': 'b'}), ('NULL', {}))
    """
    given = {f"{prefix}{n}": value for n, value in enumerate(values)}
    return ", ".join(":" + name for name in given) or "NULL", given
