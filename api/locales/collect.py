"""Every text that wants translating, found where it is written.

Templates and Python say theirs inside ``_()``, ``{% trans %}`` and the report's ``t()``; the
glossary, the rules and the safety devices are read as what they are: lists of texts.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any, cast, get_args

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir, extract_from_file

from api.key_words import WORDS
from api.locales.reader_texts import read_texts
from api.locales.rule_texts import RULE_TEXTS
from api.locales.sentences import refused, written
from api.plan_words import shipped_texts
from api.problems import PROBLEMS
from combustion.quantities import QUANTITIES
from ingest.judgement import Level
from ingest.limits import DEFAULT_LIMITS
from ingest.rules import RULES
from ingest.service.office import SHIPPED, office_plans
from ingest.service.order import STEP_TITLES
from ingest.service.plan_problems import PLAIN, TOML
from ingest.service.safety import DEVICES, JURISDICTION_NOTE
from ingest.service.wanted import title as title_of_wanted
from ingest.store.outbox import EVENTS

ROOT = Path(str(files("api"))).parent

KEYWORDS: dict[str, Any] = {
    "_": None,
    "_n": (1, 2),
    "N_": None,
    "t": None,
    "n": (1, 2),
    "gettext": None,
    "ngettext": (1, 2),
    "caution": None,
    "caution_pair": None,
    "counted_caution": (1, 2),
}
_SENTENCE = re.compile(r"[A-Z\u201c].* .*\.$", re.DOTALL)
_METHODS = [("**.py", "python"), ("**/templates/**.html", "jinja2")]
_OPTIONS = {"**/templates/**.html": {"trimmed": "true", "newstyle_gettext": "true"}}


def in_code() -> Iterator[tuple[str, int, str | tuple[str, ...], list[str]]]:
    """Yield (file, line, text or forms, comments) of what pages, report and rules say."""
    for folder in ("api", "ingest"):
        found = extract_from_dir(
            str(ROOT / folder), _METHODS, _OPTIONS, KEYWORDS, comment_tags=("Translators:",)
        )
        for name, line, message, comments, _context in found:
            yield f"{folder}/{name}", line, message, list(comments)
    for script in sorted((ROOT / "api" / "static").glob("*.js")):
        for line, message, comments, _context in extract_from_file(
            "javascript", str(script), KEYWORDS
        ):
            yield f"api/static/{script.name}", line, cast(str, message), list(comments)


def in_lists() -> Iterator[tuple[str, str]]:
    """Yield (where, text) of the glossary and of the rules."""
    for quantity in QUANTITIES.values():
        yield f"glossary {quantity.key}", quantity.label
        yield f"glossary {quantity.key}", quantity.meaning
    for rule in RULES.values():
        for name in RULE_TEXTS:
            yield f"rule {rule.key}", getattr(rule, name)
    for said in dict.fromkeys((*PLAIN.values(), *TOML.values())):
        yield "what is wrong with a plan", said
    for _status, title in PROBLEMS.values():
        yield "problem", title
    for limit in DEFAULT_LIMITS.values():
        yield "source of a limit", limit.source
    for level in get_args(Level):
        yield "source of a limit", f"stated for the {level}"
    for key, said in WORDS.items():
        yield f"key {key}", said
    for text in sorted(shipped_texts()):
        yield "plan", text
    for plan in office_plans(SHIPPED).values():
        for wanted in plan.wanted:
            yield f"plan {plan.key}", title_of_wanted(wanted)
    for event, when in EVENTS.items():
        yield f"event {event}", when
    for step, title in STEP_TITLES.items():
        yield f"step {step}", title
    yield "safety devices", JURISDICTION_NOTE
    for device in DEVICES.values():
        yield f"device {device.key}", device.title
        for method in device.methods.values():
            yield f"device {device.key}", method.title
            yield f"device {device.key}", method.caution


def in_judging() -> Iterator[tuple[str, str]]:
    """Yield (where, text) of what rules say beside their own texts: next steps, why not judged.

    They are written where they are said, below the floor that knows languages; so they are found
    in the code itself, as literals or as names of literals.
    """
    for folder in ("ingest/rules", "ingest/service/rules"):
        for path in sorted((ROOT / folder).glob("*.py")):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            named = {
                target.id: node.value
                for node in tree.body
                if isinstance(node, ast.Assign)
                for target in node.targets
                if isinstance(target, ast.Name)
            }
            for call in (n for n in ast.walk(tree) if isinstance(n, ast.Call)):
                said = [k.value for k in call.keywords if k.arg == "next_step"]
                if isinstance(call.func, ast.Attribute) and call.func.attr == "not_judged":
                    said += call.args[1:]
                for part in (p for value in said for p in ast.walk(value)):
                    held = named.get(part.id) if isinstance(part, ast.Name) else part
                    if isinstance(held, ast.Constant) and isinstance(held.value, str):
                        yield path.name, held.value
            for node in ast.walk(tree):
                if isinstance(node, ast.Assign) and _is_reason(node):
                    for part in _branches(node.value):
                        if isinstance(part, ast.Constant) and isinstance(part.value, str):
                            yield path.name, part.value
                if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "flag":
                    for given in node.args:
                        if isinstance(given, ast.Constant) and _SENTENCE.match(str(given.value)):
                            yield path.name, str(given.value)


def _is_reason(node: ast.Assign) -> bool:
    """Return whether a rule puts together there why it did not judge."""
    return any(isinstance(t, ast.Name) and t.id == "why" for t in node.targets)


def _branches(value: ast.expr) -> Iterator[ast.expr]:
    if isinstance(value, ast.IfExp):
        yield from (*_branches(value.body), *_branches(value.orelse))
    else:
        yield value


def collected() -> Catalog:
    """Return every text with the places where it is said, in the order found."""
    found = Catalog(project="fluebook", charset="utf-8", fuzzy=False)
    for place, line, message, comments in in_code():
        if message and message != ("", ""):
            found.add(cast(Any, message), None, [(place, line)], auto_comments=comments)
    sentences = ((name, text) for name, text, _ in (*written(), *refused(), *read_texts()))
    for where, text in (*in_lists(), *in_judging(), *sentences):
        if text:
            found.add(text, None, auto_comments=[where])
    return found
