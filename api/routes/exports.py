"""Readings, firing points and visits as files: CSV, Parquet, SQLite."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import FileResponse
from pydantic import Field
from starlette.background import BackgroundTask

from api.answers import refuses
from api.problems import ErrorItem, ProblemError
from api.routes.lists import Chosen
from api.routes.shared import IntakeOf
from ingest.export import Format, Kind, NotInstalled, write_export

router = APIRouter(prefix="/v1", tags=["exports"])
MEDIA_TYPES: dict[Format, str] = {
    "csv": "text/csv; charset=utf-8",
    "parquet": "application/vnd.apache.parquet",
    "sqlite": "application/vnd.sqlite3",
}
_FILE: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The file: units in the CSV's headings, in the metadata of Parquet's "
        "fields, in SQLite's table `units`.",
        "content": {
            media.partition(";")[0]: {"schema": {"type": "string", "format": "binary"}}
            for media in MEDIA_TYPES.values()
        },
    }
}


class Exported(Chosen):
    """What an export holds: the filters of the lists."""

    superseded: bool = Field(default=False, description="Readings that no longer stand, too.")


def remove(folder: Path) -> None:
    """Remove a folder of a file that was sent."""
    shutil.rmtree(folder, ignore_errors=True)


@router.get(
    "/exports/{kind}.{form}",
    summary="Readings, firing points or visits as a file",
    response_class=FileResponse,
    responses=_FILE,
)
@refuses(501)
def export(
    kind: Kind, form: Format, asked: Annotated[Exported, Query()], intake: IntakeOf
) -> FileResponse:
    """Write the book as of one moment; texts that begin like a formula get one apostrophe."""
    # A folder that only this program's user can look into.
    folder = Path(tempfile.mkdtemp(prefix="fluebook-export-"))
    path = folder / f"{kind}.{form}"
    try:
        write_export(intake.book, kind, form, path, asked.wanted(), superseded=asked.superseded)
    except NotInstalled as error:
        remove(folder)
        item = ErrorItem(message=str(error), next_step="Ask for csv or sqlite instead.")
        raise ProblemError("not-installed", str(error), [item]) from error
    except BaseException:
        remove(folder)
        raise
    return FileResponse(
        path,
        media_type=MEDIA_TYPES[form],
        filename=f"fluebook-{kind}.{form}",
        background=BackgroundTask(remove, folder),
    )
