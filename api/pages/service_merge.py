"""Two people at one form: what each changed is told apart, and nothing is overwritten unasked.

The form carries the entries that it was loaded with. Where the visit was changed meanwhile, a field
that only one of the two changed is taken from that one. A field that both changed differently is a
conflict: both are shown, and whoever saves says which one counts.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from api.pages.service_reader import Entries

OWN = frozenset({"who", "version", "loaded", "plan", "plan_version", "then", "csrf"})
"""Fields that say nothing of the visit."""
PICK = "pick."
THEIRS, MINE = "theirs", "mine"
MOST_LOADED = 400_000


@dataclass(frozen=True, slots=True)
class Conflict:
    """One field that two people filled differently."""

    name: str
    theirs: str
    mine: str


@dataclass(frozen=True, slots=True)
class Merged:
    """Entries with what the other changed in them, and the fields that are not decided."""

    entries: dict[str, str]
    conflicts: list[Conflict] = field(default_factory=list)


def loaded_text(entries: Entries) -> str:
    """Return the entries that a form is loaded with, for its hidden field."""
    return json.dumps(dict(entries), ensure_ascii=False, separators=(",", ":"), sort_keys=True)


def loaded_from(text: str) -> dict[str, str]:
    """Return the entries that a form was loaded with; none where they cannot be read.

    >>> loaded_from('{"told": "A", "n": 3}'), loaded_from("x")
    ({'told': 'A'}, {})
    """
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    if not isinstance(found, dict):
        return {}
    return {k: v for k, v in found.items() if isinstance(v, str)}


def merged(loaded: Entries, theirs: Entries, mine: Entries) -> Merged:
    """Return both changes in one.

    Parameters
    ----------
    loaded : mapping of field name to text
        What the form was loaded with.
    theirs : mapping
        The same fields as the book fills them now.
    mine : mapping
        As the form was sent, with ``pick.FIELD`` where one of two was chosen.

    Examples
    --------
    >>> both = merged({"a": "1", "b": "1"}, {"a": "2", "b": "2"}, {"a": "1", "b": "3", "c": "9"})
    >>> both.entries["a"], both.entries["c"], both.conflicts
    ('2', '9', [Conflict(name='b', theirs='2', mine='3')])
    """
    kept = {k: v for k, v in mine.items() if k in OWN}
    conflicts: list[Conflict] = []
    names = {n for n in (*loaded, *theirs, *mine) if n not in OWN and not n.startswith(PICK)}
    for name in sorted(names):
        was, now, own = (_plain(held, name) for held in (loaded, theirs, mine))
        if own == now:
            kept[name] = own
        elif own == was:
            kept[name] = now
        else:
            kept[name] = own
            if now != was:
                conflicts.append(Conflict(name, now, own))
    return Merged({k: v for k, v in kept.items() if v}, conflicts)


def decided(
    entries: Mapping[str, str], asked: Mapping[str, str]
) -> tuple[dict[str, str], set[str]]:
    """Return entries as they were decided, and the names of conflicts that were not.

    ``asked`` are the fields that were shown side by side, with the other's text.
    """
    out = {k: v for k, v in entries.items() if not k.startswith(PICK)}
    open_still = set()
    for name, theirs in asked.items():
        pick = entries.get(PICK + name)
        if pick == THEIRS:
            out[name] = theirs
        elif pick != MINE and _plain(entries, name) != theirs:
            open_still.add(name)
    return {k: v for k, v in out.items() if v}, open_still


def _plain(held: Entries, name: str) -> str:
    return held.get(name, "").replace("\r\n", "\n").strip()
