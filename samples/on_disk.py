"""Visits of the cooperative as folders, the shape that ``fluebook judge`` takes.

``python -m samples.on_disk`` writes again the folders that are kept beside this module.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from pydantic import BaseModel

from samples.cooperative import MadeVisit, Unit, visits

KEPT = ("Weir 2", "Orchard A", "Weir 1")
"""Boilers whose last visit is kept as a folder: a stop, a check and a calm one."""
HISTORY = 2
HERE = Path(__file__).resolve().parent / "visits"


def _write(path: Path, document: BaseModel, **more: object) -> None:
    found = document.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    # The units are what makes the numbers readable: they stand first, whatever the defaults are.
    found = {"units": getattr(document, "units", {}), **found, **more}
    path.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", "utf-8")


def write_visit(folder: Path, unit: Unit, made: MadeVisit, history: Sequence[MadeVisit]) -> None:
    """Write a visit folder with its boiler and earlier visits."""
    folder.mkdir(parents=True)
    _write(folder / "boiler.json", unit.boiler.model_copy(update={"site_id": None}))
    _one(folder, made)
    for earlier in history:
        one = folder / "history" / str(earlier.visit.id)
        one.mkdir(parents=True)
        _one(one, earlier)


def _one(folder: Path, made: MadeVisit) -> None:
    rates = [rate for file in sorted(made.files, key=lambda f: f.name) for rate in file.rates]
    _write(folder / "visit.json", made.visit, rates=rates)
    for file in made.files:
        (folder / file.name).write_bytes(file.data)


def last_visits() -> list[tuple[Unit, MadeVisit, list[MadeVisit]]]:
    """Return each boiler's last visit, with those before it, oldest first."""
    by_boiler: dict[str, tuple[Unit, list[MadeVisit]]] = {}
    for unit, made in visits():
        by_boiler.setdefault(unit.boiler.name, (unit, []))[1].append(made)
    return [(unit, made[-1], made[:-1]) for unit, made in by_boiler.values()]


def folder_name(unit: Unit) -> str:
    """Return the folder's name of a boiler.

    >>> from samples.cooperative import fleet
    >>> folder_name(fleet()[1])
    'weir-2'
    """
    return unit.boiler.name.lower().replace(",", "").replace(" ", "-")


def write_kept(where: Path) -> None:
    """Write the kept folders under a directory."""
    for unit, made, history in last_visits():
        if unit.boiler.name in KEPT:
            write_visit(where / folder_name(unit), unit, made, history[-HISTORY:])


if __name__ == "__main__":
    write_kept(HERE)
