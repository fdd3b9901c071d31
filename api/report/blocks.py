"""The few kinds of blocks that a report is made of; both faces know exactly these.

A report is a list of these as plain data (dicts of text, lists and numbers), so that it goes to
typst as JSON, to the template as it is, and under a hash as canonical JSON.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from api.cautions import Caution

Block = dict[str, Any]
Align = Literal["left", "right"]


def heading(text: str, level: int = 1) -> Block:
    """Return a heading; level 1 is a part of the report."""
    return {"kind": "heading", "text": text, "level": level}


def paragraph(text: str, tone: Literal["plain", "soft", "strong"] = "plain") -> Block:
    """Return running text."""
    return {"kind": "paragraph", "text": text, "tone": tone}


def facts(rows: Sequence[tuple[str, str]], *, first: int = 28) -> Block:
    """Return pairs of a name and a value, empty values left out; ``first`` [mm] for the names."""
    return {"kind": "facts", "rows": [[k, v] for k, v in rows if v], "first": first}


def items(rows: Sequence[str]) -> Block:
    """Return a list of sentences."""
    return {"kind": "items", "rows": list(rows)}


def cautions(title: str, rows: Sequence[Caution]) -> Block:
    """Return cautions, in their own frame; ``english`` row by row, where any has it beside."""
    block: Block = {"kind": "cautions", "title": title, "rows": [c.said for c in rows]}
    if any(c.english for c in rows):
        block["english"] = [c.english or "" for c in rows]
    return block


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    widths: Sequence[float],
    align: Sequence[Align],
    caption: str = "",
) -> Block:
    """Return a table; ``widths`` are shares of the line, ``caption`` says what it holds."""
    return {
        "kind": "table",
        "head": list(head),
        "rows": [list(r) for r in rows],
        "widths": list(widths),
        "align": list(align),
        "caption": caption,
    }


def charts(panes: Sequence[tuple[str, str]], legend: Sequence[str]) -> Block:
    """Return drawings as (SVG, description in words), with what their marks mean."""
    return {
        "kind": "charts",
        "panes": [{"svg": svg, "alt": alt} for svg, alt in panes],
        "legend": list(legend),
    }


def finding(severity: str, word: str, title: str, lines: Sequence[tuple[str, str]]) -> Block:
    """Return one flag: severity by word and shape, then named lines."""
    return {
        "kind": "finding",
        "severity": severity,
        "word": word,
        "title": title,
        "lines": [[k, v] for k, v in lines if v],
    }


def verdict(sentence: str, said: Sequence[str], beside: str, unchecked: Sequence[str]) -> Block:
    """Return the verdict in words, and what was not checked standing beside it."""
    return {
        "kind": "verdict",
        "sentence": sentence,
        "said": list(said),
        "beside": beside,
        "unchecked": list(unchecked),
    }


def hashes(rows: Sequence[tuple[str, str, str]]) -> Block:
    """Return (name, remark, SHA-256) each with the hash on a line of its own, unbroken."""
    return {"kind": "hashes", "rows": [list(r) for r in rows]}


def photos(rows: Sequence[tuple[str, str]]) -> Block:
    """Return pictures as (file name, caption); the bytes travel beside the blocks."""
    return {"kind": "photos", "rows": [{"name": n, "caption": c} for n, c in rows]}


def signature(act: str, lines: Sequence[tuple[str, str]]) -> Block:
    """Return one signature of the audit chain, or an empty one to be signed."""
    return {"kind": "signature", "act": act, "lines": [[k, v] for k, v in lines]}
