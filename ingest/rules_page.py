"""The page of rules, made from the rules: ``python -m ingest.rules_page > docs/rules.md``."""

from __future__ import annotations

import sys

from ingest.accuracy import DEFAULTS, REPEATABILITY_SHARE
from ingest.limits import DEFAULT_LIMITS
from ingest.rules import RULES

_HEAD = """# Rules

Made from the rules themselves; `fluebook explain RULE` says the same. Next steps are trade
practice: local codes, the boiler's own instructions and licensed practice decide. fluebook never
says that a boiler is safe; it says which recorded values are within which limits.

Severities: `stop` unsafe, do not leave it running; `fix` out of limits; `check` doubtful, look
again; `info`. Each limit has three answers: within, beyond (probability 0.95 or more), too close to
tell. Too close is `info` at the edge of a band and `check` at a safety limit. A stop is decided on
the measured value: uncertainty never lowers it. Only as-left points decide; as-found faults that
were put right are shown as work done. A rule without its input stands under *not judged*.
"""


def page() -> str:
    """Return the page as Markdown."""
    lines = [_HEAD, "## Default limits", "", "Level: boiler over model over company over default."]
    lines += ["", "| limit | default | source | status |", "|---|---|---|---|"]
    for key, limit in DEFAULT_LIMITS.items():
        lines.append(f"| `{key}` | {_value(limit.value)} | {limit.source} | {limit.status} |")
    lines += [
        "",
        "## Default accuracies",
        "",
        "Taken where the visit states none; the larger of the two. k 0 is a rectangular one.",
        f"{REPEATABILITY_SHARE:.2f} of it is taken as each reading's own, beside scatter; a",
        "difference between two rates keeps only that: calibration is shared (common practice).",
        "",
        "| quantity | absolute | % of reading | k | source | status |",
        "|---|---|---|---|---|---|",
    ]
    for key, found in DEFAULTS.items():
        spec = found.spec
        lines.append(
            f"| `{key}` | {spec.absolute:g} | {spec.percent:g} | {spec.coverage:g} | "
            f"{found.source} | {found.status} |"
        )
    family = ""
    for rule in RULES.values():
        if rule.family != family:
            family = rule.family
            lines += ["", f"## {family.capitalize()}"]
        lines += [
            "",
            f"### `{rule.key}`: {rule.title}",
            "",
            f"- Means: {rule.meaning}",
            f"- Formula: {rule.formula}",
            f"- Default: {rule.default}",
            f"- Source: {rule.source} ({rule.status})",
            f"- Usual causes: {rule.causes}",
            f"- Next step: {rule.next_step}",
            f"- Silent: {rule.silent}",
            f"- Needs: {rule.needs}",
            f"- Limits: {', '.join(f'`{key}`' for key in rule.limits) or 'none'}",
        ]
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{v:g}" for v in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    sys.stdout.write(page())
