"""What a report says, gathered once as blocks; PDF and HTML set exactly these.

The content's SHA-256 is taken over the blocks before the signatures: it is what hand-in and
acceptance sign, and what a later report names when it replaces this one.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

from api.cautions import Caution, caution_pair
from api.findings import reason_said
from api.key_words import key_said
from api.pages.facts import in_words
from api.pages.show import Shown
from api.plan_words import plan_caution, plan_text
from api.report import blocks
from api.report.blocks import Block
from api.report.given import ReportInput, ReportOptions
from api.report.readings import curve_blocks, history_block, reading_tables
from api.report.service import service_blocks
from api.report.verdict import all_not_judged, finding_blocks, rule_title, verdict_block
from api.words import LANGUAGES, Words, _, speaking, words_of


@dataclass(frozen=True, slots=True)
class Content:
    """A report ready to be set."""

    title: str
    subtitle: str
    boiler: str
    footer: str
    page_of: str
    language: str
    paper: str
    blocks: list[Block]
    sha256: str
    signed: bytes
    """What the SHA-256 is taken over: number and body as canonical JSON."""


def content(given: ReportInput, options: ReportOptions, *, signed: bytes | None = None) -> Content:
    """Return everything that a report says, in the language asked for.

    With ``signed``, the body is what was kept when it was signed, not made anew.
    """
    words = words_of(options.language, options.region)
    with speaking(words):
        return _content(given, options, words, signed)


def _content(
    given: ReportInput, options: ReportOptions, words: Words, signed: bytes | None
) -> Content:
    """Return everything that a report says.

    Parameters
    ----------
    given : ReportInput
        Nothing of it is changed.
    options : ReportOptions
        Units and language change words and numbers, and so the content's SHA-256.
    """
    shown = Shown(options.units)
    t = words.t
    if signed is None:
        signed = _canonical(given.report_id, _body(given, shown, words))
    number, body = json.loads(signed)
    digest = hashlib.sha256(signed).hexdigest()
    started = given.visit.started
    return Content(
        title=t("Service and combustion report"),
        subtitle=" · ".join(
            s for s in (given.site.name if given.site else "", words.time(started)) if s
        ),
        boiler=given.boiler.name,
        footer=t("Recorded values against stated limits; no certificate. Report {id}", id=number),
        page_of=t("Page {n} of {total}", n="@", total="#"),
        language=options.language,
        paper=options.paper,
        blocks=[*body, *_signatures(given, digest, words)],
        sha256=digest,
        signed=signed,
    )


def _canonical(number: str, body: list[Block]) -> bytes:
    return json.dumps(
        [number, body], sort_keys=True, ensure_ascii=False, separators=(",", ":")
    ).encode()


def _body(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    t = words.t
    return [
        verdict_block(given, words),
        *_room_first(given, shown, words),
        *_about(given, shown, words),
        blocks.cautions(t("Cautions"), _cautions(given)),
        blocks.heading(t("Firing curves, as found and as left")),
        *curve_blocks(given, shown, words),
        *reading_tables(given, shown, words),
        *history_block(given, shown, words),
        blocks.heading(t("Findings, and what was done")),
        *(
            finding_blocks(given, shown, words)
            or [blocks.paragraph(t("No finding. What was not checked is listed below."))]
        ),
        *_waiting_logs(given, words),
        *_not_checked(given, words),
        *service_blocks(given, shown, words),
        *_photos(given, words),
        *_evidence(given, words),
    ]


def _room_first(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    """Return carbon monoxide in the room, before anything else, where it is at its limit."""
    limit = given.limits.get("limits", {}).get("room_co_stop", {}).get("value")
    worst = max((r.value for r in given.visit.room_co), default=None)
    if worst is None or limit is None or worst < limit:
        return []
    said = caution_pair(
        "Carbon monoxide in the room: {value}. Leave, ventilate, call for help; nobody goes back "
        "in before the air is measured.",
        value=shown.value("room_co", worst),
    )
    return [blocks.cautions(words.t("Room air"), [said])]


def _about(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    t, boiler, visit = words.t, given.boiler, given.visit
    instrument = visit.instrument
    when = {
        "arrival": t("on arrival"),
        "high_fire": t("at high fire"),
        "leaving": t("on leaving"),
        None: "",
    }
    room = "; ".join(
        f"{shown.value('room_co', r.value)} {when[r.when]}".strip() for r in visit.room_co
    )
    rows = [
        (t("Company"), given.company or ""),
        (t("Site"), given.site.name if given.site else ""),
        (t("Address"), (given.site.address or "") if given.site else ""),
        (t("Boiler"), boiler.name),
        (t("Serial"), boiler.serial or ""),
        (t("Fuel"), key_said(visit.fuel or boiler.fuel)),
        (
            t("Rated input"),
            shown.value("fuel_input", boiler.rated_input) if boiler.rated_input else "",
        ),
        (t("Kind"), t("condensing") if boiler.condensing else t("non-condensing")),
        (t("Visit"), words.time(visit.started)),
        (t("Ended"), words.time(visit.ended) if visit.ended else ""),
        (t("Technician"), visit.technician or ""),
        (
            t("Instrument"),
            ", ".join(
                s
                for s in (
                    instrument.name or "",
                    t("serial {serial}", serial=instrument.serial) if instrument.serial else "",
                    t("calibrated {day}", day=words.day(instrument.calibrated))
                    if instrument.calibrated
                    else t("calibration date not recorded"),
                )
                if s
            ),
        ),
        (t("Room CO"), room or t("not recorded")),
        (t("Adjusted"), "; ".join(a.what for a in visit.adjustments)),
        (t("Plan"), f"{plan_text(given.plan.title)}, {given.plan.version}" if given.plan else ""),
        (
            t("Judged with"),
            t(
                "rules {rules}, {limits}, program {program}",
                rules=given.judgement.rules_version,
                limits=given.judgement.limits_id,
                program=given.program_version or "–",
            ),
        ),
        (t("Report"), f"{given.report_id}, {words.time(given.made)}"),
        (
            t("Replaces"),
            ""
            if given.replaces is None
            else f"{given.replaces.report_id}, {words.time(given.replaces.made)}",
        ),
        (t("Note"), visit.note or ""),
    ]
    out: list[Block] = [blocks.heading(t("Boiler and visit")), blocks.facts(rows)]
    if given.replaces is not None:
        said = t("Report replaced by this one")
        out.append(blocks.hashes([(said, given.replaces.report_id, given.replaces.sha256)]))
    return out


def _cautions(given: ReportInput) -> list[Caution]:
    usual = [
        caution_pair(
            "Carbon monoxide has no smell. A room reading at the alarm level means: leave, "
            "ventilate, call for help."
        ),
        caution_pair(
            "Work on burner, gas and controls is for licensed people, by the boiler's own "
            "instructions and local code."
        ),
        caution_pair(
            "After a lock-out: no repeated trial without a full purge, and not before the cause "
            "is found."
        ),
        caution_pair("A bypassed safety device is never left in place on a running burner."),
    ]
    plan = list(given.plan.cautions) if given.plan is not None else []
    return [*usual, *(plan_caution(c) for c in plan if not c.startswith("Carbon monoxide"))]


def _not_checked(given: ReportInput, words: Words) -> list[Block]:
    t = words.t
    rows = [
        [rule_title(r.rule), in_words(reason_said(r.why)), in_words(_(r.needs))]
        for r in all_not_judged(given)
    ]
    if not rows:
        return []
    return [
        blocks.heading(t("Not checked")),
        blocks.table(
            [t("Rule"), t("Why"), t("What it needs")],
            rows,
            widths=[2.2, 3, 3],
            align=["left"] * 3,
            caption=t("What was not checked"),
        ),
    ]


def _photos(given: ReportInput, words: Words) -> list[Block]:
    if not given.photos:
        return []
    rows = [(photo.name, photo.caption) for photo in given.photos]
    return [blocks.heading(words.t("Photos")), blocks.photos(rows)]


def _waiting_logs(given: ReportInput, words: Words) -> list[Block]:
    """Return a line for each continuous log of which nothing is judged as its cut stands."""
    said = [
        words.t(
            "The continuous log {name} is kept, and its cut into firing points is not confirmed: "
            "nothing of it is judged as the cut stands now.",
            name=name,
        )
        for name in given.waiting_logs
    ]
    return [blocks.paragraph(line) for line in said]


def _evidence(given: ReportInput, words: Words) -> list[Block]:
    t = words.t
    rows = [
        (e.name, t("{what}, {n} bytes", what=key_said(e.what), n=e.size), e.sha256)
        for e in given.evidence
    ]
    rows += [(p.name, t("photo, {n} bytes", n=len(p.data)), p.sha256) for p in given.photos]
    out: list[Block] = [blocks.heading(t("Evidence"))]
    if not rows:
        return [*out, blocks.paragraph(t("No file is kept for this visit."))]
    out.append(
        blocks.paragraph(
            t("Files as they were received, each with the SHA-256 of its bytes."), "soft"
        )
    )
    out.append(blocks.hashes(rows))
    return out


def setting_words(setting: str) -> str:
    """Return units and language of a content in words.

    >>> setting_words("si en"), setting_words("us es_MX")
    ('SI units, English', 'US customary units, Español (MX)')
    """
    units, _blank, tag = setting.partition(" ")
    language, _bar, region = tag.partition("_")
    said = _("US customary units") if units == "us" else _("SI units")
    name = LANGUAGES.get(language, language)
    return f"{said}, {name} ({region})" if region else f"{said}, {name}"


def _signatures(given: ReportInput, digest: str, words: Words) -> list[Block]:
    t = words.t
    acts = {
        "handed_in": t("Handed in"),
        "accepted": t("Accepted"),
        "sent_back": t("Sent back"),
    }
    out: list[Block] = [
        blocks.heading(t("Signatures")),
        blocks.paragraph(
            t("What is signed is this report's content, everything above this line:"), "soft"
        ),
        blocks.hashes([(t("SHA-256 of the content"), "", digest)]),
    ]
    for act in ("handed_in", "accepted", "sent_back"):
        found = [s for s in given.signatures if s.act == act]
        for s in found:
            other = ""
            if s.report_sha256 not in ("", digest):
                other = t("another content than this one")
                if s.same_facts:
                    other = t("the same facts as here, in the units and language it was signed in")
            out.append(
                blocks.signature(
                    acts[act],
                    [
                        (t("Name"), s.name),
                        (t("Account"), s.account),
                        (t("Time"), words.time(s.time)),
                        (
                            t("Content signed"),
                            s.report_sha256 or t("no report was kept with this act"),
                        ),
                        *([(t("Signed in"), setting_words(s.setting))] if s.setting else []),
                        *([(t("Mind"), other)] if other else []),
                        *([(t("Note"), s.note)] if s.note else []),
                    ],
                )
            )
        if not found and act != "sent_back":
            out.append(blocks.signature(acts[act], [(t("Not signed yet"), "")]))
    return out
