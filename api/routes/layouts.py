"""Saved layouts: tables of firing points or visits in the office's own columns and units."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from fastapi.responses import FileResponse, JSONResponse
from pydantic import BaseModel
from starlette.background import BackgroundTask

from api.answers import refuses
from api.problems import ErrorItem, ProblemError
from api.routes.exports import remove
from api.routes.lists import Chosen
from api.routes.shared import Expected, IntakeOf, Who
from api.routes.sites import JsonObject
from api.schemas import body_of
from ingest.export.layout import Layout
from ingest.layouts import all_layouts, layout_named, put_layout, remove_layout, write_layout

router = APIRouter(prefix="/v1/layouts", tags=["layouts"])
_TAG = {"ETag": {"description": "Its version.", "schema": {"type": "string"}}}
_HERE: dict[int | str, dict[str, Any]] = {
    200: {"model": Layout, "description": "The layout as kept.", "headers": _TAG},
}
_PUT: dict[int | str, dict[str, Any]] = {
    **_HERE,
    201: {"model": Layout, "description": "Saved now.", "headers": _TAG},
}
_TABLE: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "CSV, UTF-8, one heading row.",
        "content": {"text/csv": {"schema": {"type": "string", "format": "binary"}}},
    }
}


class LayoutList(BaseModel):
    """All saved layouts by name."""

    layouts: list[Layout]


def _answer(layout: Layout, version: int, status: int = 200) -> JSONResponse:
    return JSONResponse(layout.document(), status, headers={"ETag": f'"{version}"'})


@router.get("", summary="All saved layouts", response_model_exclude_none=True)
def layouts(intake: IntakeOf) -> LayoutList:
    """List the layouts by name."""
    return LayoutList(layouts=all_layouts(intake.book))


@router.get("/{name}", summary="One saved layout", response_model=Layout, responses=_HERE)
@refuses(404)
def one_layout(name: str, intake: IntakeOf) -> JSONResponse:
    """Return a layout."""
    return _answer(*layout_named(intake.book, name))


@router.put(
    "/{name}",
    summary="Save a layout",
    response_model=Layout,
    responses=_PUT,
    openapi_extra=body_of("Layout"),
)
@refuses(409, 412)
def put(
    name: str, body: JsonObject, intake: IntakeOf, who: Who, expected: Expected
) -> JSONResponse:
    """Save a layout under its name; the same again changes nothing."""
    if body.get("name", name) != name:
        item = ErrorItem(
            message="another name than in the address",
            pointer="/name",
            raw=str(body["name"])[:100],
            expected=name,
            next_step="Leave it out, or send the same.",
        )
        raise ProblemError("not-valid", "The name is not the one in the address.", [item])
    layout = Layout.model_validate({**body, "name": name})
    version, made = put_layout(intake, layout, who, expected_version=expected)
    return _answer(layout, version, 201 if made else 200)


@router.delete("/{name}", summary="Remove a layout", status_code=204)
@refuses(404, 412)
def delete(name: str, intake: IntakeOf, who: Who, expected: Expected) -> Response:
    """Remove a layout; the trail keeps what it was."""
    remove_layout(intake, name, who, expected_version=expected)
    return Response(status_code=204)


@router.get(
    "/{name}/table.csv",
    summary="The book's table in a layout",
    response_class=FileResponse,
    responses=_TABLE,
)
@refuses(404)
def table(name: str, asked: Annotated[Chosen, Query()], intake: IntakeOf) -> FileResponse:
    """Write the table of the chosen visits, as of one moment; it can be imported again."""
    layout, _ = layout_named(intake.book, name)
    folder = Path(tempfile.mkdtemp(prefix="fluebook-export-"))
    path = folder / "table.csv"
    try:
        write_layout(intake.book, layout, path, asked.wanted())
    except BaseException:
        remove(folder)
        raise
    return FileResponse(
        path,
        media_type="text/csv; charset=utf-8",
        filename=f"{name}.csv",
        background=BackgroundTask(remove, folder),
    )
