"""The columns of a continuous log, kept beside its cut so that a look at it reads no evidence.

A copy and nothing more: what counts is the evidence. It holds what tells a log again (its times,
first lines, numbers, and the readings with a mark beyond a range), so that the SHA-256 of the
log that was cut is made anew from it. A copy from which another comes is not used, and ``verify``
names it.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from ingest.store.audit import canonical_json

if TYPE_CHECKING:
    from ingest.store.book import Change

Floats = NDArray[np.float64]
BY_COLUMN = "columns:"
"""How the SHA-256 over columns begins, to be told from that over readings of older versions."""
_FORM = 1
_QUICK = 1  # a tenth larger than the best, in a tenth of the time
_MOST_DISTINCT = 1 << 16


@dataclass(frozen=True)
class LogColumns:
    """What a log is made of.

    Attributes
    ----------
    started : datetime
        Time of second 0.
    times : array, shape (n,)
        Seconds since, ascending, whole microseconds.
    columns : Mapping of str to array, shape (n,)
        Canonical numbers, NaN where there is none, in the order of the file.
    lines : array of int, shape (n,)
        First physical line of each reading.
    marked : sequence of str
        The readings with a value beyond a range, as the book keeps readings, in order.
    untimed : int
        Readings without a time, which are not among them.
    """

    started: datetime
    times: Floats
    columns: Mapping[str, Floats]
    lines: NDArray[np.int64]
    marked: Sequence[str]
    untimed: int

    @cached_property
    def sha256(self) -> str:
        """Return what tells this log: the same for one read by column and by row."""
        keys = sorted(self.columns)
        told = [self.started.isoformat(), len(self.times), keys]
        digest = hashlib.sha256(canonical_json(told).encode())
        arrays: list[Any] = [_micro(self.times), self.lines.astype("<i8")]
        for array in arrays:
            digest.update(np.ascontiguousarray(array).data)
        for key in keys:
            # Every missing value by the same bits.
            plain = np.where(np.isnan(self.columns[key]), np.nan, self.columns[key] + 0.0)
            digest.update(np.ascontiguousarray(plain, dtype="<f8").data)
        for text in self.marked:
            digest.update(text.encode())
        return BY_COLUMN + digest.hexdigest()


def _micro(times: Floats) -> NDArray[np.int64]:
    return np.round(times * 1e6).astype("<i8")


class _Packed:
    """Bytes of several arrays, one after the other."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []

    def put(self, array: NDArray[Any]) -> list[Any]:
        """Add an array; return where and what it is."""
        # Byte by byte of all numbers: the high ones are nearly all alike.
        plain = np.ascontiguousarray(array).view(np.uint8).reshape(len(array), array.itemsize)
        packed = zlib.compress(np.ascontiguousarray(plain.T).data, _QUICK)
        self.parts.append(packed)
        return [array.dtype.str, len(array), len(packed)]


class _Unpacked:
    def __init__(self, data: bytes) -> None:
        self.view, self.at = memoryview(data), 0

    def take(self, what: Sequence[Any]) -> NDArray[Any]:
        kind, count, size = np.dtype(what[0]), what[1], what[2]
        raw = zlib.decompress(self.view[self.at : self.at + size])
        self.at += size
        plain = np.frombuffer(raw, np.uint8).reshape(kind.itemsize, count)
        found: NDArray[Any] = np.ascontiguousarray(plain.T).view(kind).reshape(count)
        return found


def packed(log: LogColumns) -> tuple[str, bytes]:
    """Return a log as JSON that says what it is, and bytes."""
    out = _Packed()
    zone = log.started.tzinfo
    about: dict[str, Any] = {
        "form": _FORM,
        "started": log.started.isoformat(),
        "zone": zone.key if isinstance(zone, ZoneInfo) else None,
        "fold": log.started.fold,
        "untimed": log.untimed,
        "times": out.put(np.diff(_micro(log.times), prepend=0)),
        "lines": out.put(np.diff(log.lines, prepend=0)),
        "columns": [],
    }
    for key, column in log.columns.items():
        distinct, codes = np.unique(column + 0.0, return_inverse=True)
        if len(distinct) <= _MOST_DISTINCT:
            small = np.uint8 if len(distinct) <= 256 else np.uint16
            found: list[Any] = [key, out.put(distinct), out.put(codes.reshape(-1).astype(small))]
        else:
            found = [key, None, out.put(column + 0.0)]
        about["columns"].append(found)
    marked = "\n".join(log.marked).encode()
    about["marked"] = [len(log.marked), out.put(np.frombuffer(marked, np.uint8))]
    return canonical_json(about), b"".join(out.parts)


def unpacked(about: str, data: bytes) -> LogColumns:
    """Return a log from what :func:`packed` made.

    Raises
    ------
    ValueError
        If it is not of this program's form, or not whole.
    """
    try:
        return _unpacked(json.loads(about), data)
    except (KeyError, TypeError, IndexError, zlib.error, OverflowError) as error:
        raise ValueError("the columns kept of a log are not whole") from error


def _unpacked(told: Mapping[str, Any], data: bytes) -> LogColumns:
    if told["form"] != _FORM:
        raise ValueError("the columns kept of a log are of another form")
    source = _Unpacked(data)
    started = datetime.fromisoformat(told["started"]).replace(fold=told["fold"])
    if told["zone"] is not None:
        started = started.replace(tzinfo=ZoneInfo(told["zone"]))
    times = np.cumsum(source.take(told["times"])) / 1e6
    lines = np.cumsum(source.take(told["lines"]))
    columns = {}
    for key, distinct, numbers in told["columns"]:
        known = None if distinct is None else source.take(distinct)
        found = source.take(numbers)
        columns[key] = found if known is None else known[found]
    count, text = told["marked"]
    said = source.take(text).tobytes().decode()
    marked = said.split("\n") if count else []
    return LogColumns(started, times, columns, lines, marked, told["untimed"])


def keep(
    change: Change,
    attachment_id: UUID,
    readings_sha256: str,
    log_sha256: str,
    packing: tuple[str, bytes],
) -> None:
    """Keep the columns of a log that was cut, in place of those before.

    ``readings_sha256`` is that of its cut, ``log_sha256`` that of the log itself, ``packing`` what
    :func:`packed` made of it: before the change, for while it lasts nobody else can write.
    """
    about, data = packing
    change.sql.execute(
        "INSERT OR REPLACE INTO cut_columns (attachment_id, readings_sha256, log_sha256, about, "
        "data) VALUES (:a, :sha256, :log, :about, :data)",
        {
            "a": str(attachment_id),
            "sha256": readings_sha256,
            "log": log_sha256,
            "about": about,
            "data": data,
        },
    )


def is_kept(sql: sqlite3.Connection, attachment_id: UUID, readings_sha256: str) -> bool:
    """Return whether columns are kept for the cut of that SHA-256, sound or not."""
    row = sql.execute(
        "SELECT 1 FROM cut_columns WHERE attachment_id = :a AND readings_sha256 = :sha256",
        {"a": str(attachment_id), "sha256": readings_sha256},
    ).fetchone()
    return row is not None


def kept(sql: sqlite3.Connection, attachment_id: UUID, readings_sha256: str) -> LogColumns | None:
    """Return the columns kept of a log, None where there are none or they are not those."""
    row = sql.execute(
        "SELECT readings_sha256, log_sha256, about, data FROM cut_columns WHERE attachment_id = :a",
        {"a": str(attachment_id)},
    ).fetchone()
    if row is None or row[0] != readings_sha256:
        return None
    return _sound(row)


def _sound(row: Sequence[Any]) -> LogColumns | None:
    cut_of, log_sha256, about, data = row
    if cut_of.startswith(BY_COLUMN) and cut_of != log_sha256:
        return None
    try:
        log = unpacked(about, data)
    except ValueError:
        return None
    return log if log.sha256 == log_sha256 else None


def unsound(sql: sqlite3.Connection) -> list[str]:
    """Return the logs whose kept columns are not those of the log that was cut."""
    rows = sql.execute(
        "SELECT k.attachment_id, c.readings_sha256, k.log_sha256, k.about, k.data, "
        "k.readings_sha256 FROM cut_columns k LEFT JOIN cut c ON c.attachment_id = k.attachment_id"
    )
    return [row[0] for row in rows if row[1] != row[5] or _sound(row[1:5]) is None]
