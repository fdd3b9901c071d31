"""A plan that other plans include, changed: what those come to say with it.

The book keeps each plan whole, with what it includes written out. Where the included plan changes,
what stands in the including one as some version of the included one said it gives way to what that
says now; all else is its own and stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.service.plans import LISTS, STATED_WHOLE, Plan, problems_across

_MOST_VERSION = 40


@dataclass(frozen=True, slots=True)
class TakenIn:
    """A plan that includes a changed one.

    Attributes
    ----------
    before, plan : Plan
        As it is, and with the change under a version of its own.
    problems : sequence of str
        Why it cannot take the change in; then ``plan`` is as it was.
    """

    before: Plan
    plan: Plan
    problems: Sequence[str] = ()


def taken_in(plan: Plan, known: Mapping[str, Plan], versions: Sequence[Plan]) -> list[TakenIn]:
    """Return the plans that include one, itself or through another, as they become with it.

    Parameters
    ----------
    plan : Plan
        The changed one.
    known : mapping of plan key to Plan
        The plans in force.
    versions : sequence of Plan
        Every version of every plan at hand: what any of them said is not an including plan's own.
    """
    changed: dict[str, Plan] = {plan.key: plan}
    out: list[TakenIn] = []
    waiting = {key for key, p in known.items() if key != plan.key and _through(p, known, plan.key)}
    while waiting:
        ready = [k for k in sorted(waiting) if not waiting & {*known[k].includes} - {k}]
        for key in ready or sorted(waiting)[:1]:  # plans that include each other come by name
            waiting.discard(key)
            one = _with_change(known[key], changed, [*known.values(), *versions])
            if one is not None:
                out.append(one)
                changed |= {} if one.problems else {key: one.plan}
    return out


def _through(plan: Plan, known: Mapping[str, Plan], wanted: str) -> bool:
    seen: set[str] = set()
    asked = list(plan.includes)
    while asked:
        key = asked.pop()
        if key not in seen:
            seen.add(key)
            asked += known[key].includes if key in known else []
    return wanted in seen


def _with_change(
    plan: Plan, changed: Mapping[str, Plan], versions: Sequence[Plan]
) -> TakenIn | None:
    whole = plan
    for key in [k for k in plan.includes if k in changed]:
        said = [v for v in versions if v.key == key]
        fresh = changed[key]
        update: dict[str, Any] = {
            name: _renewed(
                getattr(whole, name),
                [item for v in said for item in getattr(v, name)],
                getattr(fresh, name),
                ident,
            )
            for name, ident in LISTS.items()
        }
        if key == plan.includes[0]:
            for name in STATED_WHOLE:
                if any(getattr(whole, name) == getattr(v, name) for v in said):
                    update[name] = getattr(fresh, name)
        whole = whole.model_copy(update=update)
    if whole == plan:
        return None
    problems = problems_across(whole)
    if problems:
        return TakenIn(plan, plan, problems)
    newest = next(changed[k].version for k in plan.includes if k in changed)
    taken = {v.version for v in versions if v.key == plan.key}
    version = _version(plan.version, newest, taken)
    return TakenIn(plan, whole.model_copy(update={"version": version}))


def _renewed(
    items: Sequence[Any], said: Sequence[Any], fresh: Sequence[Any], ident: Callable[[Any], str]
) -> list[Any]:
    now = {ident(item): item for item in fresh}
    out: list[Any] = []
    place = 0
    for item in items:
        if item not in said:
            out.append(item)
        elif ident(item) in now:
            out.append(now[ident(item)])
            place = len(out)
    held = {ident(item) for item in out}
    out[place:place] = [item for item in fresh if ident(item) not in held]
    return out


def _version(before: str, newest: str, taken: set[str]) -> str:
    """Return a version of its own: what it was before any such change, and the included one's.

    >>> _version("2026.2+2027.1", "2027.2", {"2026.2", "2026.2+2027.1"})
    '2026.2+2027.2'
    """
    made = f"{before.split('+')[0]}+{newest}"[: _MOST_VERSION - 4]
    number, version = 2, made
    while version in taken:
        number, version = number + 1, f"{made}.{number}"
    return version
