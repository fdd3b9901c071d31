"""The service part of the report: tests, tasks, parts, isolation, light-off, bypasses, leaving."""

from __future__ import annotations

from dataclasses import replace

from api.cautions import caution
from api.chart_spec import stated_number
from api.pages.show import Shown
from api.pages.unit_text import quantity
from api.plan_words import plan_said
from api.report import blocks
from api.report.blocks import Block
from api.report.bolts import bolt_circle
from api.report.given import ReportInput
from api.words import N_, Words, _
from ingest.service.models import Measured, SafetyTest, ServiceRecord, TaskEntry, Value
from ingest.service.order import STEP_TITLES
from ingest.service.plans import Plan
from ingest.service.safety import DEVICES, JURISDICTION_NOTE
from ingest.service.sequence import criss_cross

ISOLATION_WORDS = {
    "power_locked_and_tagged": N_("Power locked and tagged"),
    "gas_closed": N_("Gas closed"),
    "oil_closed": N_("Oil closed"),
    "supply_valve_closed": N_("Supply valve closed"),
    "return_valve_closed": N_("Return valve closed"),
    "pressure_released": N_("Pressure released"),
    "verified_dead": N_("Verified dead"),
}


def value_text(value: Value | None, shown: Shown) -> str:
    """Return a value in the reader's units, an en dash where there is none."""
    return "–" if value is None else quantity(value.value, value.unit, shown)


def _seconds(value: float | None, words: Words) -> str:
    return "–" if value is None else words.signs(f"{value:.3g} s")


def service_blocks(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    """Return everything of the service part, in the order in which a reader asks for it."""
    record, t = given.visit.service, words.t
    if given.plan is not None:
        given = replace(given, plan=plan_said(given.plan))
    if record is None:
        return [
            blocks.heading(t("Service")),
            blocks.paragraph(t("No service part is recorded for this visit.")),
        ]
    return [
        *_tests(given, record, shown, words),
        *_tasks(given, record, shown, words),
        *_isolation(record, words),
        *_light_off(record, shown, words),
        *_bypasses(record, words),
        *_left(given, record, words),
    ]


def _tests(given: ReportInput, record: ServiceRecord, shown: Shown, words: Words) -> list[Block]:
    t = words.t
    results = {
        "tripped": t("tripped"),
        "did_not_trip": t("DID NOT TRIP"),
        "not_tested": t("not tested"),
    }
    resets = {
        "automatic": t("automatic"),
        "manual": t("manual"),
        "not_reset": t("not reset"),
        None: "–",
    }
    again = t("retest")
    rows = [
        [
            device_title(test) + (f" ({again})" if test.retest else ""),
            provoked(test, words),
            value_text(test.set_point, shown),
            value_text(test.trip, shown),
            _seconds(test.lock_out, words),
            resets[test.reset],
            results[test.result] + (f". {test.note}" if test.note else ""),
        ]
        for test in record.tests
    ]
    out = [blocks.heading(t("Safety tests"))]
    if rows:
        out.append(
            blocks.table(
                [
                    t("Device"),
                    t("How provoked"),
                    t("Set point"),
                    t("Trip"),
                    t("Lock-out"),
                    t("Reset"),
                    t("Result"),
                ],
                rows,
                widths=[2.1, 2.8, 1.25, 1.25, 1.15, 1.3, 2.0],
                align=["left", "left", "right", "right", "right", "left", "left"],
                caption=t("Safety tests"),
            )
        )
    else:
        out.append(blocks.paragraph(t("No safety test is recorded.")))
    note = given.plan.jurisdiction_note if given.plan is not None else ""
    out.append(blocks.paragraph(f"{caution(JURISDICTION_NOTE)} {note}".strip(), "soft"))
    return out


def device_title(test: SafetyTest) -> str:
    """Return a device's name, with which one where there are several."""
    title = _(DEVICES[test.device].title) if test.device in DEVICES else test.device
    return title if test.name is None else f"{title}, {test.name}"


def provoked(test: SafetyTest, words: Words) -> str:
    """Return how a device was provoked, and whether really or simulated."""
    device = DEVICES.get(test.device)
    method = device.methods.get(test.method) if device is not None and test.method else None
    mode = words.t("real") if test.mode == "real" else words.t("simulated")
    if method is not None and not method.real:
        mode = words.t("simulated")
    return f"{words.t(method.title)} ({mode})" if method is not None else mode


def _tasks(given: ReportInput, record: ServiceRecord, shown: Shown, words: Words) -> list[Block]:
    t, plan = words.t, given.plan
    outcomes = {
        "done": t("done"),
        "not_done": t("NOT DONE"),
        "not_applicable": t("does not apply"),
    }
    grades = {"good": t("good"), "worn": t("worn"), "poor": t("poor"), "failed": t("failed")}
    rows = []
    for entry in record.tasks:
        task = None if plan is None else plan.task_of(entry.task)
        rows.append(
            [
                entry.task.replace("_", " ") if task is None else task.title,
                "" if task is None else task.where,
                outcomes[entry.outcome] + (f": {entry.reason}" if entry.reason else ""),
                "–" if entry.grade is None else grades[entry.grade],
                recorded(plan, entry, shown, words),
            ]
        )
    out = [blocks.heading(t("Tasks and parts"))]
    if plan is not None:
        out.append(
            blocks.paragraph(
                t("Plan: {title}, version {version}.", title=plan.title, version=plan.version),
                "soft",
            )
        )
    if not rows:
        out.append(blocks.paragraph(t("No task is recorded.")))
        return out
    out.append(
        blocks.table(
            [t("Task"), t("Where"), t("Outcome"), t("Condition"), t("Recorded")],
            rows,
            widths=[2.4, 1.9, 1.5, 1.2, 4.2],
            align=["left"] * 5,
            caption=t("Tasks and parts"),
        )
    )
    out += _sequences(given, record, words)
    return out


def recorded(plan: Plan | None, entry: TaskEntry, shown: Shown, words: Words) -> str:
    """Return what was recorded at a task, in one line: values, parts, note, pictures."""
    t = words.t
    task = None if plan is None else plan.task_of(entry.task)
    labels = {} if task is None else {r.key: r.label or r.key for r in task.record}
    said = []
    grouped: dict[str, list[Measured]] = {}
    for measured in entry.measured:
        grouped.setdefault(measured.key, []).append(measured)
    for key, group in grouped.items():
        name = labels.get(key) or key.replace("_", " ")
        values = [quantity(m.value, m.unit, shown) for m in group]
        if len(group) > 1:
            low = min(group, key=lambda m: m.value)
            high = max(group, key=lambda m: m.value)
            first = quantity(low.value, low.unit, shown)
            last = quantity(high.value, high.unit, shown)
            said.append(
                t(
                    "{name}: {n} values, {low} to {high}",
                    name=name,
                    n=len(group),
                    low=first,
                    high=last,
                )
            )
        else:
            said.append(f"{name}: {values[0]}")
    for part in entry.replaced:
        held = None if plan is None else plan.part_of(part.part)
        title = part.part.replace("_", " ") if held is None else held.title
        many = f"{part.quantity} × " if part.quantity > 1 else ""
        serials = (
            t(
                ", serial {before} to {after}",
                before=part.serial_before or "–",
                after=part.serial_after or "–",
            )
            if part.serial_before or part.serial_after
            else ""
        )
        said.append(t("replaced: {what}", what=f"{many}{title}{serials}"))
    if entry.note:
        said.append(entry.note)
    if entry.photos:
        said.append(words.n("{n} photo", "{n} photos", len(entry.photos)))
    return "; ".join(said)


def _sequences(given: ReportInput, record: ServiceRecord, words: Words) -> list[Block]:
    """Return the tightening sequence of each torque that the plan has."""
    t, drawn = words.t, []
    for task in () if given.plan is None else given.plan.task:
        if record.task(task.key) is None:
            continue
        for n, wanted in enumerate(task.record):
            if wanted.kind == "torque" and wanted.nuts is not None:
                title = t("{task}: tightening order", task=task.title)
                order = ", ".join(str(i) for i in criss_cross(wanted.nuts))
                drawn.append(
                    (bolt_circle(wanted.nuts, f"nuts-{task.key}-{n}", title), f"{title}: {order}")
                )
    if not drawn:
        return []
    legend = [t("Number in a nut: the turn at which it is tightened; nuts clockwise from the top.")]
    return [{**blocks.charts(drawn, legend), "small": True}]


def _isolation(record: ServiceRecord, words: Words) -> list[Block]:
    t = words.t
    out = [blocks.heading(t("Isolation and order of the work"))]
    rows = [
        [_(ISOLATION_WORDS[e.step]), e.by, words.time(e.time), e.tag or "–", e.how or ""]
        for e in record.isolation
    ]
    if record.restored is not None:
        by = record.restored
        rows.append([t("locks off, energy back"), by.by, words.time(by.time), "–", ""])
    if rows:
        out.append(
            blocks.table(
                [t("Step"), t("By"), t("When"), t("Tag"), t("How verified")],
                rows,
                widths=[2.5, 2, 2.6, 0.9, 1.6],
                align=["left"] * 5,
                caption=t("Isolation"),
            )
        )
    else:
        out.append(blocks.paragraph(t("No isolation is recorded.")))
    steps = [_(STEP_TITLES[s]) for s in record.ordered_steps()]
    if steps:
        said = ", ".join(s[0].lower() + s[1:] for s in steps)
        out.append(blocks.paragraph(t("Order recorded: {steps}.", steps=said), "soft"))
    return out


def _light_off(record: ServiceRecord, shown: Shown, words: Words) -> list[Block]:
    t = words.t
    out: list[Block] = []
    kinds = {
        "smooth": t("smooth"),
        "delayed": t("DELAYED"),
        "rumbling": t("RUMBLING"),
        "none": t("no flame"),
    }
    rows = [
        [
            str(n),
            _seconds(trial.purge, words),
            _seconds(trial.trial, words),
            shown.value("flame_signal", trial.flame_signal),
            kinds[trial.ignition],
            "–" if trial.co_peak is None else f"{trial.co_peak:.0f} ppm",
        ]
        for n, trial in enumerate(record.light_offs, 1)
    ]
    if rows:
        out += [
            blocks.heading(t("Light-off, gas and vent")),
            blocks.table(
                [
                    t("Trial"),
                    t("Purge"),
                    t("Trial time"),
                    t("Flame signal"),
                    t("Ignition"),
                    t("CO peak, first 30 s"),
                ],
                rows,
                widths=[0.7, 1, 1.2, 1.4, 1.4, 2],
                align=["right", "right", "right", "right", "left", "right"],
                caption=t("Light-off"),
            ),
        ]
    pairs: list[tuple[str, str]] = []
    gas, vent, oil = record.gas, record.vent, record.oil
    if gas is not None:
        yes = {True: t("yes"), False: t("NO"), None: t("not recorded")}
        pairs += [
            (
                t("Gas inlet, burners off"),
                _pa(shown, gas.inlet_burners_off),
            ),
            (
                t("Gas inlet, high fire alone"),
                _pa(shown, gas.inlet_high_fire_alone),
            ),
            (
                t("Gas inlet, every appliance"),
                _pa(shown, gas.inlet_all_appliances),
            ),
            (t("Manifold, low fire"), _pa(shown, gas.manifold_low_fire)),
            (t("Manifold, high fire"), _pa(shown, gas.manifold_high_fire)),
            (
                t("Gas-air offset, low fire"),
                _pa(shown, gas.offset_low_fire),
            ),
            (
                t("Gas-air offset, high fire"),
                _pa(shown, gas.offset_high_fire),
            ),
            (t("Test nipples closed"), yes[gas.nipples_closed]),
            (t("Test nipples leak-checked"), yes[gas.nipples_leak_checked]),
        ]
    if vent is not None:
        spill = {"none": t("none seen"), "seen": t("SEEN"), "not_checked": t("not checked")}
        pairs += [
            (t("Spillage"), spill[vent.spillage]),
            (t("Draft at the outlet"), _pa(shown, vent.outlet_draft)),
            (t("Draft over the fire"), _pa(shown, vent.overfire_draft)),
        ]
    if oil is not None:
        pairs += [
            (
                t("Smoke number"),
                "" if oil.smoke_number is None else stated_number(oil.smoke_number),
            ),
            (t("Pump pressure"), _shown(shown, "pump_pressure", oil.pump_pressure)),
            (t("Nozzle pressure"), _shown(shown, "pump_pressure", oil.nozzle_pressure)),
        ]
    if pairs:
        if not rows:
            out.append(blocks.heading(t("Light-off, gas and vent")))
        out.append(blocks.facts(pairs, first=44))
    return out


def _shown(shown: Shown, key: str, value: float | None) -> str:
    return "" if value is None else shown.value(key, value)


def _pa(shown: Shown, value: float | None) -> str:
    return _shown(shown, "gas_inlet_pressure", value)


def _bypasses(record: ServiceRecord, words: Words) -> list[Block]:
    t = words.t
    out = [blocks.heading(t("Bypasses"))]
    if not record.bypasses:
        return [
            *out,
            blocks.paragraph(t("No jumper, forced input or changed set point is listed.")),
        ]
    rows = [
        [
            b.what,
            f"{b.placed.by}, {words.time(b.placed.time)}",
            t("STILL IN PLACE")
            if b.removed is None
            else f"{b.removed.by}, {words.time(b.removed.time)}",
        ]
        for b in record.bypasses
    ]
    head = [t("What"), t("Placed"), t("Removed")]
    return [
        *out,
        blocks.table(head, rows, widths=[3, 2.6, 2.6], align=["left"] * 3, caption=t("Bypasses")),
    ]


def _left(given: ReportInput, record: ServiceRecord, words: Words) -> list[Block]:
    t = words.t
    how = {
        "running": t("running"),
        "off": t("off"),
        "isolated": t("isolated and tagged"),
        None: t("not recorded"),
    }
    left = record.left
    out = [
        blocks.heading(t("How it was left")),
        blocks.facts(
            [
                (t("Boiler"), how[given.visit.how_left]),
                (t("Told"), ", ".join(left.told) or t("nobody recorded")),
                (
                    t("Reason to leave it running"),
                    "" if not left.reason else f"{left.reason} ({left.reason_by or '–'})",
                ),
            ]
        ),
    ]
    held = {f.id: f for f in (*given.open_findings, *record.findings)}
    closed = {c.id: c for c in record.closed}
    still = [f for f in held.values() if f.id not in closed]
    if still:
        out += [
            blocks.heading(t("Findings that stay open"), 2),
            blocks.items(
                [t("Open since {day}: {text}", day=words.day(f.opened), text=f.text) for f in still]
            ),
        ]
    if closed:
        out += [
            blocks.heading(t("Findings closed at this visit"), 2),
            blocks.items(
                [
                    f"{held[c.id].text if c.id in held else c.id}: {c.how} ({c.closed.by}, "
                    f"{words.time(c.closed.time)})"
                    for c in closed.values()
                ]
            ),
        ]
    return out
