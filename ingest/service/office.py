"""The office's service plans: a folder of its own, or those that come with the program."""

from __future__ import annotations

import os
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

from ingest.service.plans import Plan, read_plans

# Data, not code: the plans that come with the program lie beside the samples.
SHIPPED = Path(str(files("samples") / "plans"))


def office_plans(
    folder: Path | None = None, environment: Mapping[str, str] = os.environ
) -> dict[str, Plan]:
    """Return the plans by key.

    Parameters
    ----------
    folder : Path or None
        By default ``FLUEBOOK_PLANS``, else the plans that come with the program.
    environment : Mapping
        Where ``FLUEBOOK_PLANS`` is looked up.

    Raises
    ------
    PlanError
        With file, line and key of everything wrong in the folder.
    FileNotFoundError
        If the folder is not there.
    """
    stated = environment.get("FLUEBOOK_PLANS")
    place = folder or (Path(stated) if stated else SHIPPED)
    if not place.is_dir():
        raise FileNotFoundError(f"{place}: there is no such folder of plans")
    return read_plans(place)
