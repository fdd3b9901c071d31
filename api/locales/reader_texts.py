"""What the readers of files refuse and warn of, as templates taken from their own code.

Readers stand below the floor that knows languages: they write English, which programs and the
command line keep. A page says it in its reader's language (``api.findings.reading_said``), by the
templates found here: every text with words in the functions of these modules, whichever variable
carries it to its message, and the named lists.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import lru_cache

from api.locales.sentences import FLOORS, Template, is_text, ranked, template_of

READ_IN = (
    "parsers/build.py",
    "parsers/bulk.py",
    "parsers/clock.py",
    "parsers/columns.py",
    "parsers/cut_corrections.py",
    "parsers/cut_points.py",
    "parsers/maps.py",
    "parsers/numbers.py",
    "parsers/points.py",
    "parsers/rate_marks.py",
    "parsers/reader.py",
    "parsers/shapes.py",
    "parsers/sheets.py",
    "parsers/stream_blocks.py",
    "parsers/stream_table.py",
    "parsers/streams.py",
    "parsers/table.py",
    "parsers/text.py",
    "parsers/unpack.py",
    "parsers/vocabulary.py",
    "combustion/units.py",
    "ingest/capture.py",
    "ingest/capture_log.py",
    "ingest/cut_logs.py",
    "ingest/cut_operations.py",
    "ingest/log_notes.py",
    "ingest/documents.py",
    "api/cut_json.py",
    "api/doorkeeper.py",
    "api/file_options.py",
    "api/form_refusals.py",
    "api/guards.py",
    "api/pages/cut_form.py",
    "api/routes/files.py",
    "api/routes/photos.py",
)
"""The code that reads what a person hands over or states about it, and that lets people in."""
LISTS = frozenset({"_KINDS", "_EXAMPLES", "_MOLAR_MASS", "_MISSING"})
"""Lists of these modules, by name, whose texts a message takes in."""
_NOT_SAID = frozenset({"compile", "sub", "search", "match", "fullmatch", "split", "findall"})
_WORDED = re.compile(r"[A-Za-z]{2,}[,:;]? |[ (][A-Za-z]{2,}")
_CODE = re.compile(r" = |\{\{|max-age|realm=|^bytes \{| \| |; \w+=|^Value error$|^and no$")


def read_texts() -> Iterator[tuple[str, str, frozenset[str]]]:
    """Yield (file, template, names of its figures) of each text of the readers with words."""
    for name in READ_IN:
        for node in _said(ast.parse((FLOORS / name).read_text(encoding="utf-8"))):
            text, figures = template_of(node)
            text = text.strip(" ;,:")
            if _WORDED.search(re.sub(r"\{\w+\}", "", text)) and not _CODE.search(text):
                yield name, text, figures


def _said(tree: ast.Module) -> Iterator[ast.JoinedStr | ast.Constant]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith(
            "__"
        ):
            defaults = [d for d in (*node.args.defaults, *node.args.kw_defaults) if d is not None]
            for part in (*defaults, *node.body):
                yield from _texts(part)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if any(isinstance(t, ast.Name) and t.id in LISTS for t in targets) and node.value:
                yield from _texts(node.value)


def _texts(node: ast.AST) -> Iterator[ast.JoinedStr | ast.Constant]:
    """Yield the texts of a part of code; what is asked, matched or explained there is none."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return  # a docstring
    if isinstance(node, ast.Compare | ast.Set | ast.arguments):
        return
    if is_text(node):
        yield node
        parts = node.values if isinstance(node, ast.JoinedStr) else []
        for part in parts:
            if isinstance(part, ast.FormattedValue):
                yield from _texts(part.value)
        return
    if isinstance(node, ast.Call):
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if name in _NOT_SAID:
            return
        if name == "fromkeys":  # keys are what a cell may say, the value is what it means
            yield from (t for given in node.args[1:] for t in _texts(given))
            return
    if isinstance(node, ast.Dict):
        yield from (t for value in node.values for t in _texts(value))
        return
    for child in ast.iter_child_nodes(node):
        yield from _texts(child)


@lru_cache(maxsize=1)
def reading_templates() -> tuple[Template, ...]:
    """Return the readers' texts as templates, the most telling first."""
    return ranked(read_texts())
