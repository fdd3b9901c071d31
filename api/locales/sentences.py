"""The sentences of findings as templates, taken from the rules' own code.

A rule writes its sentence as one f-string; read as a template, with a name for each value, that is
a text like any other: it stands in the catalogues, and a finished sentence, of a judgement stored
years ago too, is told apart into template and values by it. Nothing is said twice, and judging
does no work for it.
"""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import TypeGuard

FLOORS = Path(str(files("ingest"))).parent
WRITTEN_IN = (
    "ingest/rules/*.py",
    "ingest/service/rules/*.py",
    "ingest/service/due.py",
    "ingest/service/plan_problems.py",
    "ingest/service/plans.py",
    "parsers/rate_match.py",
)
"""The code that writes sentences with figures for people, below the floor that knows languages."""
REFUSED_IN = (
    "ingest/models.py",
    "ingest/intake*.py",
    "ingest/store/*.py",
    "ingest/service/intervals.py",
    "api/accounts/*.py",
    "api/notify/destination.py",
    "api/routes/duty.py",
)
"""The code whose refusals a person at a page reads."""
REFUSALS = frozenset(
    {
        "CorrectionError",
        "DestinationRefused",
        "NotAPicture",
        "StateConflict",
        "Unfit",
        "ValueError",
        "WordsMissing",
    }
)
_SAYS_WHAT = frozenset({"must_say"})
"""Refuses with "say" and what its last argument names."""
_FIXED = re.compile(r"[A-Za-z]{2,}")
_TAG = re.compile(r"[\w{}]+:[\w{}]+")
_FIGURE = r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"


@dataclass(frozen=True, slots=True)
class Template:
    """A sentence, or a piece of one, with its places; ``pattern`` tells it from others."""

    text: str
    pattern: re.Pattern[str]

    def values(self, sentence: str) -> Mapping[str, str] | None:
        """Return what stands in the places of a sentence, None where it is another one."""
        found = self.pattern.fullmatch(sentence)
        return None if found is None else found.groupdict()


def _name(expression: ast.expr) -> str:
    names = [n.attr if isinstance(n, ast.Attribute) else n.id
             for n in ast.walk(expression) if isinstance(n, ast.Attribute | ast.Name)]  # fmt: skip
    return names[0].strip("_") if names else "part"


def template_of(said: ast.JoinedStr | ast.Constant) -> tuple[str, frozenset[str]]:
    """Return the template of an f-string or of a plain text, and the names of its figures."""
    text, used, figures = "", set[str](), set[str]()
    for part in said.values if isinstance(said, ast.JoinedStr) else [said]:
        if isinstance(part, ast.Constant):
            text += str(part.value).replace("{", "{{").replace("}", "}}")
        elif isinstance(part, ast.FormattedValue):
            name = wanted = _name(part.value)
            number = 2
            while name in used:
                name, number = f"{wanted}_{number}", number + 1
            used.add(name)
            if part.format_spec is not None:
                figures.add(name)
            text += f"{{{name}}}"
    return text, frozenset(figures)


def _pattern(text: str, figures: frozenset[str]) -> re.Pattern[str]:
    made = ""
    for fixed, name, _spec, _conversion in string.Formatter().parse(text):
        made += re.escape(fixed)
        if name is not None:
            made += f"(?P<{name}>{_FIGURE if name in figures else '.*?'})"
    return re.compile(made, re.DOTALL)


def written() -> Iterator[tuple[str, str, frozenset[str]]]:
    """Yield (file, template, names of its figures) of each f-string of the rules with words."""
    for path in sorted(p for pattern in WRITTEN_IN for p in FLOORS.glob(pattern)):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                text, figures = template_of(node)
                if _FIXED.search(re.sub(r"\{\w+\}", "", text)) and not _TAG.fullmatch(text):
                    yield path.name, text, figures


def refused() -> Iterator[tuple[str, str, frozenset[str]]]:
    """Yield (file, template, names of its figures) of each sentence that refuses something."""
    for path in sorted(p for pattern in REFUSED_IN for p in FLOORS.glob(pattern)):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            call = node.exc if isinstance(node, ast.Raise) else node
            if not isinstance(call, ast.Call):
                continue
            wanted = REFUSALS if isinstance(node, ast.Raise) else _SAYS_WHAT
            own = getattr(call.func, "id", "") in wanted
            if not own and not (path.name == "errors.py" and _makes_itself(call)):
                continue
            for said in call.args:
                if not is_text(said):
                    continue
                text, figures = template_of(said)
                if " " in text and _FIXED.search(re.sub(r"\{\w+\}", "", text)):
                    yield path.name, text, figures


def is_text(node: ast.AST) -> TypeGuard[ast.JoinedStr | ast.Constant]:
    """Return whether code holds a text there, with places or without."""
    plain = isinstance(node, ast.Constant) and isinstance(node.value, str)
    return plain or isinstance(node, ast.JoinedStr)


def _makes_itself(call: ast.Call) -> bool:
    """Return whether a call is an exception's ``super().__init__(...)``."""
    return isinstance(call.func, ast.Attribute) and call.func.attr == "__init__"


@lru_cache(maxsize=1)
def templates() -> tuple[Template, ...]:
    """Return the templates, the most telling (most words of its own) first."""
    return ranked((*written(), *refused()))


def ranked(found: Iterable[tuple[str, str, frozenset[str]]]) -> tuple[Template, ...]:
    """Return texts as found in code as templates, the most telling first."""
    texts = {text: figures for _, text, figures in found}
    own = {text: len(re.sub(r"\{\w+\}", "", text)) for text in texts}
    in_order = sorted(texts, key=lambda t: (-own[t], t))
    return tuple(Template(t, _pattern(t, texts[t])) for t in in_order)
