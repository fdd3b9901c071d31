"""What a field of the service form is called, for the list of fields that two people changed."""

from __future__ import annotations

from api.pages.service_measures import ASKED, DRAFTS, GAS, NIPPLES, OIL, ROOM
from api.plan_words import plan_text
from api.report.service import ISOLATION_WORDS
from api.words import N_, _
from ingest.service.order import STEP_TITLES
from ingest.service.plans import Plan
from ingest.service.safety import DEVICES

_NAMED = {
    **{f"gas.{k}": v for k, v in {**GAS, **NIPPLES}.items()},
    **{f"vent.{k}": v for k, v in DRAFTS.items()},
    **{f"oil.{k}": v for k, v in OIL.items()},
    **{f"room.{k}": v for k, v in ROOM.items()},
    **{f"instrument.{k}": v for k, v in ASKED.items()},
    "vent.spillage": N_("Spillage"),
    "oil.smoke_number": N_("Smoke number"),
    "oil.smoke_before_probe": N_("Smoke number before the gas probe went in"),
    "how_left": N_("How the boiler was left"),
    "told": N_("Who was told"),
    "reason": N_("Reason to leave it running"),
    "reason_by": N_("Whose decision that is"),
    "tag": N_("Lock or tag number"),
    "running_hours": N_("Running hours counter"),
    "starts": N_("Starts counter"),
    "restored": N_("Locks off, energy back"),
    "ended": N_("End of the visit"),
    "adjusted": N_("Anything adjusted"),
    "note": N_("Note"),
}
_ROWS = {"bypass": N_("Bypass"), "light": N_("Trial"), "finding": N_("Finding")}


def label_of(name: str, plan: Plan) -> str:
    """Return a field's name in words.

    >>> from ingest.service.office import office_plans
    >>> label_of("bypass.0.removed", office_plans()["condensing-gas-yearly"])
    'Bypass 1: removed'
    """
    if name in _NAMED:
        return _(_NAMED[name])
    kind, *rest = name.split(".")
    last = ", ".join(r.replace("_", " ") for r in rest[1:])
    if kind in _ROWS:
        return f"{_(_ROWS[kind])} {int(rest[0]) + 1}: {last}" if rest[0].isdigit() else name
    if kind == "task":
        task = plan.task_of(rest[0])
        return f"{rest[0] if task is None else plan_text(task.title)}: {last}"
    if kind == "test":
        device = rest[0].partition(" ")[0]
        title = _(DEVICES[device].title) if device in DEVICES else rest[0]
        return f"{title}: {last}"
    titles: dict[str, str] = {}
    if kind == "iso":
        titles = {str(k): _(v) for k, v in ISOLATION_WORDS.items()}
    elif kind == "step":
        titles = {str(k): _(v) for k, v in STEP_TITLES.items()}
    said = titles.get(rest[0] if rest else "", name.replace("_", " "))
    return f"{said}: {last}" if last else said
