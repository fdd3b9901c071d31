"""The verdict in words: recorded values against limits, and what was not checked beside it.

No sentence here says that a boiler is safe, nor may one be added that does.
"""

from __future__ import annotations

from collections.abc import Sequence

from api.cautions import caution, counted_caution
from api.findings import reason_said
from api.key_words import key_said
from api.pages.facts import finding_shown, in_words, next_step_said, source_said
from api.pages.show import Shown
from api.pages.unit_text import in_units
from api.report import blocks
from api.report.blocks import Block
from api.report.given import ReportInput
from api.words import Words, _, speaking
from ingest.figures import figures_of
from ingest.judgement import Flag, NotJudged
from ingest.models import SEVERITIES
from ingest.rules import RULES
from ingest.service.rules import SERVICE_RULES

_RANK = {severity: n for n, severity in enumerate(SEVERITIES)}


def all_flags(given: ReportInput) -> list[Flag]:
    """Return the flags of readings and service, worst first, each once."""
    held = {f.id: f for f in (*given.judgement.flags, *given.service_flags)}
    return sorted(held.values(), key=lambda f: (_RANK[f.severity], f.id))


def all_not_judged(given: ReportInput) -> list[NotJudged]:
    """Return what could not be judged, each rule once."""
    rows = (*given.judgement.not_judged, *given.service_not_judged)
    held: dict[str, NotJudged] = {}
    for row in rows:
        held.setdefault(row.rule, row)
    return list(held.values())


def rule_title(key: str) -> str:
    """Return a rule's title, its key where the rule is not known (an older report's)."""
    rule = RULES.get(key) or SERVICE_RULES.get(key)
    return key.replace("_", " ") if rule is None else _(rule.title)


def sentence(flags: Sequence[Flag], words: Words) -> str:
    """Return the sentence that decides what the reader does next."""
    stops = sum(f.severity == "stop" for f in flags)
    fixes = sum(f.severity == "fix" for f in flags)
    checks = sum(f.severity == "check" for f in flags)
    if stops:
        return str(
            counted_caution(
                "{n} finding says stop: do not leave the burner running.",
                "{n} findings say stop: do not leave the burner running.",
                stops,
            )
        )
    if fixes:
        return words.n(
            "{n} finding is out of limits and is to be put right.",
            "{n} findings are out of limits and are to be put right.",
            fixes,
        )
    if checks:
        return words.n(
            "No recorded value is beyond a limit to fix; {n} finding is to be looked at.",
            "No recorded value is beyond a limit to fix; {n} findings are to be looked at.",
            checks,
        )
    return words.t("No recorded value is beyond its limit.")


def verdict_block(given: ReportInput, words: Words) -> Block:
    """Return the verdict with the counts and what was not checked."""
    flags = all_flags(given)
    t = words.t
    named = (
        ("stop", t("STOP")),
        ("fix", t("FIX")),
        ("check", t("CHECK")),
        ("info", t("INFO")),
    )
    counts = ", ".join(f"{sum(f.severity == s for f in flags)} {name}" for s, name in named)
    close = sum(f.answer == "too_close" for f in flags)
    said = [t("Findings by severity: {counts}.", counts=counts)]
    if close:
        said.append(
            words.n(
                "{n} value is too close to its limit to tell.",
                "{n} values are too close to their limits to tell.",
                close,
            )
        )
    left = given.visit.how_left
    how = {"running": t("running"), "off": t("off"), "isolated": t("isolated and tagged")}
    said.append(t("Left: {how}.", how=how[left]) if left else t("How it was left is not recorded."))
    said.append(
        caution(
            "This compares recorded values and answers with stated limits. It does not certify "
            "the boiler; local code, the boiler's instructions and licensed practice decide."
        )
    )
    rows = all_not_judged(given)
    unchecked = [
        t("{rule}: {why}.", rule=rule_title(r.rule), why=in_words(reason_said(r.why)).rstrip("."))
        for r in rows
    ]
    if len(unchecked) > _BESIDE:
        more = len(unchecked) - _BESIDE
        unchecked = [
            *unchecked[:_BESIDE],
            words.n(
                "and {n} more, listed under “Not checked”.",
                "and {n} more, listed under “Not checked”.",
                more,
            ),
        ]
    if not unchecked:
        unchecked = [t("Every rule had what it needs.")]
    beside = t("Not checked ({n})", n=len(rows))
    return blocks.verdict(sentence(flags, words), said, beside, unchecked)


_BESIDE = 7
"""How many rules stand beside the verdict; all of them stand in their own part of the report."""


def finding_blocks(given: ReportInput, shown: Shown, words: Words) -> list[Block]:
    """Return every flag in full, worst first, and what was done about it."""
    t = words.t
    names = {"stop": t("STOP"), "fix": t("FIX"), "check": t("CHECK"), "info": t("INFO")}
    out = []
    for flag in all_flags(given):
        source = flag.source
        with speaking(words):
            sentence_said = in_words(
                finding_shown(flag.message, flag.severity, shown, figures_of(flag, given.points))
            )
            next_step = next_step_said(flag)
        done = given.visit.done_about(flag.id, flag.rule)
        if done is not None:
            told = f"{done.words} ({done.by}, {words.time(done.time)})"
        else:
            told = t("not recorded") if flag.severity in ("stop", "fix") else ""
        out.append(
            blocks.finding(
                flag.severity,
                names[flag.severity],
                rule_title(flag.rule),
                [
                    ("", sentence_said),
                    (t("Next step"), in_units(next_step, shown)),
                    (t("What was done"), told),
                    (
                        t("Source of the limit"),
                        f"{source_said(source.text, shown)} ({key_said(source.status)})"
                        if source is not None
                        else "",
                    ),
                ],
            )
        )
    return out
