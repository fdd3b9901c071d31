"""How a continuous log was read, kept with its cut: the page reads the evidence again, the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal, cast

from parsers import ReadOptions
from parsers.maps import ColumnMap, map_from_json, map_json


@dataclass(frozen=True, slots=True)
class HowRead:
    """The statements by which a log is read; see ``parsers.ReadOptions``."""

    zone: str | None = None
    started: datetime | None = None
    units: tuple[tuple[str, str], ...] = ()
    day_first: bool | None = None
    decimal: str | None = None
    maps: tuple[ColumnMap, ...] = ()
    headings: tuple[str, ...] = ()
    """Of an instrument that sends none; as the two below for raw captures alone."""
    delimiter: str | None = None
    checksum: str | None = None
    marks: tuple[tuple[str, float], ...] = ()
    """Percent of the marks by which the log records its firing rate."""

    @classmethod
    def of(
        cls, options: ReadOptions | HowRead, zone: str | None, maps: Sequence[ColumnMap]
    ) -> HowRead:
        """Return what options state, with the site's zone and the book's maps where they do not."""
        if isinstance(options, HowRead):
            return replace(options, zone=options.zone or zone, maps=options.maps or tuple(maps))
        named = () if options.map is None else (options.map,)
        return cls(
            options.site_zone or zone,
            options.started,
            tuple(sorted(options.units.items())),
            options.day_first,
            options.decimal,
            (*named, *(options.maps or maps)),
        )

    @classmethod
    def stated(cls, options: ReadOptions | HowRead | None) -> dict[str, Any]:
        """Return what an uploader stated, for the file's statement: empty where nothing."""
        given = {} if options is None else cls.of(options, None, ()).as_json()
        return {key: value for key, value in given.items() if value is not None}

    def options(self) -> ReadOptions:
        """Return the options to read with."""
        return ReadOptions(
            site_zone=self.zone,
            started=self.started,
            units=dict(self.units),
            day_first=self.day_first,
            decimal=cast("Literal['.', ','] | None", self.decimal),
            maps=self.maps,
            marks=dict(self.marks),
        )

    def as_json(self) -> dict[str, Any]:
        """Return the zone and whatever else is stated."""
        stated = {
            "started": None if self.started is None else self.started.isoformat(),
            "units": dict(self.units),
            "day_first": self.day_first,
            "decimal": self.decimal,
            "headings": list(self.headings),
            "delimiter": self.delimiter,
            "checksum": self.checksum,
            "marks": dict(self.marks),
            "maps": [map_json(one) for one in self.maps],
        }
        found = {key: value for key, value in stated.items() if value not in (None, {}, [])}
        return {"zone": self.zone} | found

    @classmethod
    def from_json(cls, settings: Mapping[str, Any]) -> HowRead:
        """Return how a log was read from the settings kept with its cut."""
        started = settings.get("started")
        return cls(
            settings["zone"],
            None if started is None else datetime.fromisoformat(started),
            tuple(sorted(settings.get("units", {}).items())),
            settings.get("day_first"),
            settings.get("decimal"),
            tuple(map_from_json(one) for one in settings.get("maps", ())),
            tuple(settings.get("headings", ())),
            settings.get("delimiter"),
            settings.get("checksum"),
            tuple(settings.get("marks", {}).items()),
        )
