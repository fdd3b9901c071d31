"""A raw capture as a continuous log: what the port said is evidence, and read again each time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from ingest.capture import HEADER, records_of
from ingest.how_read import HowRead
from ingest.port import Link
from parsers.line_rules import Checksum
from parsers.maps import ColumnMap
from parsers.model import Reading
from parsers.recorded import Recording
from parsers.stream_events import StreamRules
from parsers.streams import StreamReader


def is_capture(data: bytes) -> bool:
    """Return whether bytes are a raw capture."""
    return data.startswith(HEADER)


def readings_of_capture(
    data: bytes, name: str, how: HowRead
) -> tuple[Sequence[Reading], tuple[ColumnMap, ...]]:
    """Return the readings of a capture by column, and the map by which its headings were read.

    A stream does not say which map is its own: the one that reads most is taken, none before any.
    """
    candidates: list[tuple[ColumnMap, ...]] = [(), *((one,) for one in how.maps)]
    read = [(_recorded(data, name, how, maps), maps) for maps in candidates]
    most, maps = max(read, key=lambda pair: pair[0].values)
    return most.readings(), maps


def how_heard(rules: StreamRules) -> HowRead:
    """Return how a capture is to be read that was listened to by these rules."""
    return HowRead(
        units=tuple(sorted(rules.units.items())),
        decimal=rules.decimal,
        maps=() if rules.map is None else (rules.map,),
        headings=rules.headings,
        delimiter=rules.delimiter,
        checksum=rules.checksum,
    )


def _recorded(data: bytes, name: str, how: HowRead, maps: tuple[ColumnMap, ...]) -> Recording:
    options = how.options()
    reader = StreamReader(
        StreamRules(
            headings=how.headings,
            delimiter=how.delimiter,
            checksum=cast("Checksum | None", how.checksum),
            decimal=options.decimal,  # type: ignore[arg-type]
            units=options.units,
            map=maps[0] if maps else None,
        )
    )
    out = Recording()
    for record in records_of(data, name):
        if not isinstance(record, Link):
            out.take(reader.feed(record.data, record.received))
        elif record.state == "lost":
            out.take(reader.interrupted())
    out.take(reader.close())
    return out
