"""The office's service plans: a folder of its own, or those that come with the program."""

from __future__ import annotations

import os
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

from ingest.service.plans import Plan, read_plans

# Data, not code: the plans that come with the program lie beside the samples.
SHIPPED = Path(str(files("samples") / "plans"))


def plan_named(plans: Mapping[str, Plan], key: str, version: str | None) -> Plan | None:
    """Return a plan in the version that a record names; any version where it names none.

    Work is never held to another version than the one that was followed.

    Parameters
    ----------
    plans : mapping of plan key to Plan
        One version of each.
    key : str
        As the record names it.
    version : str or None
        Likewise.
    """
    plan = plans.get(key)
    return plan if plan is not None and version in (None, plan.version) else None


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
