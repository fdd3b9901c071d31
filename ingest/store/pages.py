"""Pages of a list by its keys: the next page goes on behind the last row, whatever was added.

A cursor carries the sort that it belongs to and the keys of the last row shown. Rows that are added
or change meanwhile are on a later page or not, but no row is shown twice for being pushed along.
"""

from __future__ import annotations

import base64
import binascii
import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


class NotACursor(ValueError):
    """A cursor that this list did not give."""


@dataclass(frozen=True, slots=True)
class Sort:
    """An order that no two rows share.

    Attributes
    ----------
    name : str
        As asked for, with a minus in front for the other way round.
    columns : tuple of str
        Expressions that are never NULL.
    """

    name: str
    columns: tuple[str, ...]
    descending: bool = False


def sort_of(asked: str, known: Mapping[str, tuple[str, ...]]) -> Sort:
    """Return a sort by the name that was asked for.

    Raises
    ------
    ValueError
        If the list has no such sort.
    """
    name = asked.removeprefix("-")
    if name not in known:
        raise ValueError(f"no sort {asked!r}; there are {', '.join(known)}, each also with a minus")
    return Sort(asked, known[name], asked.startswith("-"))


def cursor(sort: Sort, keys: Sequence[Any]) -> str:
    """Return the cursor behind a row.

    >>> cursor(Sort("name", ("b.name", "b.id")), ["B-1", "x"])
    'WyJuYW1lIiwiQi0xIiwieCJd'
    """
    text = json.dumps([sort.name, *keys], separators=(",", ":"), ensure_ascii=False)
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def keys_of(text: str, sort: Sort) -> list[Any]:
    """Return the keys in a cursor.

    Raises
    ------
    NotACursor
        If it is none, or belongs to another sort.
    """
    try:
        padded = text + "=" * (-len(text) % 4)
        found = json.loads(base64.b64decode(padded, altchars=b"-_", validate=True).decode())
    except (ValueError, binascii.Error, RecursionError) as error:
        raise NotACursor("the cursor is not one of this list") from error
    whole = isinstance(found, list) and len(found) == len(sort.columns) + 1
    if not whole or not all(isinstance(k, str | int | float) for k in found):
        raise NotACursor("the cursor is not one of this list")
    if found[0] != sort.name:
        raise NotACursor(f"the cursor belongs to the sort {str(found[0])[:40]!r}")
    return list(found[1:])


def page(
    sql: sqlite3.Connection,
    select: Sequence[str],
    source: str,
    parts: Sequence[str],
    given: Mapping[str, Any],
    sort: Sort,
    *,
    after: str | None,
    most: int | None,
) -> tuple[list[tuple[Any, ...]], str | None]:
    """Return the selected columns of one page, and the cursor behind it; None on the last page.

    ``most`` None returns all that is left.
    """
    parts = list(parts)
    names = [f"key{n}" for n in range(len(sort.columns))]
    keys = ", ".join(sort.columns)
    values = dict(given)
    if after is not None:
        values.update(zip(names, keys_of(after, sort), strict=True))
        beyond = "<" if sort.descending else ">"
        parts.append(f"({keys}) {beyond} ({', '.join(':' + n for n in names)})")
    way = " DESC" if sort.descending else ""
    text = (
        f"SELECT {', '.join((*sort.columns, *select))} {source} WHERE {' AND '.join(parts)} "
        f"ORDER BY {', '.join(c + way for c in sort.columns)}"
    )
    if most is not None:
        text += " LIMIT :most_and_one"
        values["most_and_one"] = most + 1
    try:
        rows = sql.execute(text, values).fetchall()
    except OverflowError as error:  # a whole number beyond 64 bits
        raise NotACursor("the cursor is not one of this list") from error
    width = len(sort.columns)
    more = most is not None and len(rows) > most
    shown = rows[:most] if most is not None else rows
    following = cursor(sort, shown[-1][:width]) if more else None
    return [row[width:] for row in shown], following
