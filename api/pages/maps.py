"""Teaching on the page: a file's headings, one choice for each, kept for every later file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from api.findings import reading_said
from api.pages.render import page
from api.routes.files import uploaded
from api.routes.shared import IntakeOf
from api.words import N_, _, capital
from combustion.quantities import MEASURED, QUANTITIES
from ingest.intake import Intake
from parsers.maps import IGNORE, ColumnMap, heading_rows, taught
from parsers.text import decoded, physical_lines
from parsers.vocabulary import ROLES

router = APIRouter(prefix="/maps", include_in_schema=False)
_MOST_HEADINGS = 200


@dataclass(frozen=True, slots=True)
class HeadingView:
    """One heading, what it is taken for, and the unit stated for it."""

    number: int
    heading: str
    means: str
    unit: str


_ROLE_WORDS = {
    "time": N_("time, or date and time"),
    "date": N_("date alone"),
    "elapsed": N_("time since the start"),
    "zone": N_("time zone"),
    "am_pm": N_("morning or afternoon (am, pm)"),
    "phase": N_("as found, trial or as left"),
    "fuel": N_("fuel"),
    "burner": N_("burner"),
    "note": N_("note"),
    "number": N_("running number"),
}


def _choices() -> list[tuple[str, str]]:
    quantities = [
        (key, f"{_(QUANTITIES[key].label)}: {_(QUANTITIES[key].meaning)}") for key in MEASURED
    ]
    roles = [(role, f"({_(_ROLE_WORDS[role])})") for role in ROLES]
    return [(IGNORE, _("leave out")), *roles, *quantities]


def _shown(
    request: Request,
    intake: Intake,
    *,
    draft: ColumnMap | None = None,
    said: str = "",
    status: int = 200,
) -> Response:
    headings = [] if draft is None else list(draft.fields)
    return page(
        request,
        "maps.html",
        title=_("Column maps"),
        status=status,
        maps=intake.maps(),
        draft_name="" if draft is None else draft.name,
        headings=[HeadingView(n, f.heading, f.means, f.unit or "") for n, f in enumerate(headings)],
        choices=_choices(),
        said=said,
    )


def _sentence(error: ValueError) -> str:
    return capital(reading_said(str(error).removesuffix("."))) + "."


@router.get("")
def all_maps(request: Request, intake: IntakeOf) -> Response:
    """Show what is taught, and the form to teach more."""
    return _shown(request, intake)


@router.post("/headings")
async def headings(request: Request, intake: IntakeOf) -> Response:
    """Take a file and show its headings with what is known of each; nothing is kept yet."""
    name, data, _fields = await uploaded(request)

    def shown() -> Response:
        found = heading_rows(physical_lines(decoded(data).text))
        if not found:
            said = _(
                "{file}: no row of headings stands over a row of numbers. Nothing was kept.",
                file=name,
            )
            return _shown(request, intake, said=said, status=422)
        return _shown(
            request, intake, draft=taught(PurePath(name).stem, found[0][2][:_MOST_HEADINGS], {})
        )

    return await run_in_threadpool(shown)


@router.post("/teach")
async def teach(request: Request, intake: IntakeOf) -> Response:
    """Keep what was chosen for each heading."""
    async with request.form() as form:
        given = {key: str(value) for key, value in form.items()}
    numbers = range(min(_MOST_HEADINGS, sum(key.startswith("heading-") for key in given)))
    words = [given.get(f"heading-{n}", "") for n in numbers]
    name = given.get("name", "").strip()[:100]

    def kept() -> Response:
        meanings = {}
        for n, heading in enumerate(words):
            unit = given.get(f"unit-{n}", "").strip()
            means = given.get(f"means-{n}", IGNORE)
            meanings[heading] = f"{means}[{unit}]" if unit and means in QUANTITIES else means
        try:
            if not name:
                raise ValueError(_("The map needs a name."))
            made = taught(name, words, meanings)
        except ValueError as error:
            # What can be understood of the entries stays on the form.
            draft = taught(name or "unnamed", words, {})
            return _shown(
                request,
                intake,
                draft=draft,
                said=_("{why} Nothing was kept.", why=_sentence(error)),
                status=422,
            )
        intake.put_map(made, "page")
        return RedirectResponse("/maps", status_code=303)

    return await run_in_threadpool(kept)


@router.post("/{fingerprint}/forget")
def forget(fingerprint: str, intake: IntakeOf) -> Response:
    """Take a map out of use."""
    intake.forget_map(fingerprint, "page")
    return RedirectResponse("/maps", status_code=303)
