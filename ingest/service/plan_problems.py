"""What is wrong with a plan, told by line: which key, what stands there, what is expected."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, get_args

from pydantic import BaseModel

from ingest.service.where import Path as Place


@dataclass(frozen=True, slots=True)
class PlanProblem:
    """One thing wrong with a plan, and where."""

    file: str
    line: int
    key: str
    message: str

    def __str__(self) -> str:
        """Return it as one line."""
        return f"{self.file}, line {self.line}, {self.key}: {self.message}"


class PlanError(ValueError):
    """A plan that cannot be used; carries every problem found."""

    def __init__(self, problems: Sequence[PlanProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in problems))


TOML: Mapping[str, str] = MappingProxyType(
    {
        "Invalid statement": "this is no line of TOML; expected is a key = value, or a [[table]]",
        "Expected newline or end of document": "something stands behind the value on its line",
        "Expected '=' after a key": "= is expected after the key",
        "Invalid initial character for a key": "a key is expected: letters, digits, _ and -",
        "Expected ']' at the end": "the ] that closes the name of the table is missing",
        "Expected ']]' at the end": "the ]] that closes the name of the table is missing",
        "Cannot declare": "this table stands here a second time",
        "Cannot overwrite a value": "this key stands here a second time",
        "Duplicate inline table key": "this key stands here a second time",
        "Cannot mutate immutable": (
            "what is written in braces or brackets cannot be added to further down"
        ),
        "Cannot redefine namespace": "this name is a table already",
        "Unclosed array": "the ] that closes the list is missing",
        "Unclosed inline table": "the brace that closes the entry is missing",
        "Unescaped '\\'": "a \\ in a text is written \\\\",
        "Unterminated string": "the quotation mark that closes the text is missing",
        "Illegal character": "the quotation mark that closes the text is missing on this line",
        "Found invalid character": "this sign cannot stand here",
        "Expected ": "the quotation mark that closes the text is missing",
        "Invalid date or datetime": "this is no date; a text stands in quotation marks",
        "Invalid value": "this is no value; a text stands in quotation marks",
    }
)
"""What the standard library's reader says, by its beginning, in words for who writes a plan."""

PLAIN: Mapping[str, str] = MappingProxyType(
    {
        "missing": "this key is missing",
        "string_type": "expected is a text in quotation marks",
        "int_type": "expected is a whole number",
        "int_parsing": "expected is a whole number",
        "int_from_float": "expected is a whole number",
        "float_type": "expected is a number",
        "float_parsing": "expected is a number",
        "finite_number": "expected is a number",
        "bool_type": "expected is true or false",
        "bool_parsing": "expected is true or false",
        "list_type": "expected is a list in [ ]",
        "model_type": "expected is an entry in braces, or a table of its own",
        "model_attributes_type": "expected is an entry in braces, or a table of its own",
        "string_too_short": "expected is a text; this one is empty",
        "too_deep": "lists stand in lists, too deep to be read",
        "too_short": "expected is at least one entry",
    }
)
"""What is said for each kind of refusal that needs no figure."""


def toml_problem(file: str, text: str, error: Exception) -> PlanProblem:
    """Return what is wrong where a text is no TOML at all."""
    if not isinstance(error, tomllib.TOMLDecodeError):
        return PlanProblem(file, 1, "TOML", PLAIN["too_deep"])
    # The standard library says "(at line 3, column 7)" or "(at end of document)".
    message = str(error)
    line = text.count("\n") + 1
    if "at line " in message:
        line = int(message.rsplit("at line ", 1)[1].split(",")[0])
    return PlanProblem(file, line, "TOML", toml_said(message))


def toml_said(message: str) -> str:
    """Return the reader's message in words for who writes a plan, as it is where not known.

    >>> toml_said("Invalid value (at line 3, column 7)")
    'this is no value; a text stands in quotation marks'
    """
    return next((said for start, said in TOML.items() if message.startswith(start)), message)


def refusal_said(error: Mapping[str, Any], model: type[BaseModel]) -> tuple[Place, str]:
    """Return where the model refuses a plan, and what it says of it.

    Parameters
    ----------
    error : mapping
        One of pydantic's.
    model : type of BaseModel
        What the plan is.
    """
    path, kind, given = tuple(error["loc"]), error["type"], error.get("input")
    bounds = error.get("ctx", {})
    if kind in PLAIN:
        return path, PLAIN[kind]
    name = repr(given)[:60]
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(str(path[-1]), _keys(model, path[:-1]), n=1)
        if near:
            return path, f"this key is not known here; did you mean {near[0]}?"
        shown = ", ".join(_keys(model, path[:-1]))
        return path, f"this key is not known here; known are {shown}"
    if kind == "literal_error":
        shown = str(bounds["expected"]).replace(" or ", ", ")
        return path, f"{name} is not known here; known are {shown}"
    if kind == "string_pattern_mismatch":
        mark = "-" if "-" in bounds["pattern"].replace("a-z", "").replace("0-9", "") else "_"
        return path, f"{name}: expected are small letters, digits and {mark}, a letter first"
    if kind == "string_too_long":
        return path, f"expected are at most {bounds['max_length']} letters"
    if kind == "greater_than":
        return path, f"{name}: expected is more than {bounds['gt']:g}"
    if kind == "greater_than_equal":
        return path, f"{name}: expected is at least {bounds['ge']:g}"
    if kind == "less_than_equal":
        return path, f"{name}: expected is at most {bounds['le']:g}"
    return path, str(error["msg"]).removeprefix("Value error, ")


def _keys(model: type[BaseModel], path: Place) -> list[str]:
    """Return the keys that may stand at a path of a document."""
    for part in path:
        if isinstance(part, str):
            field = model.model_fields.get(part)
            inner = None if field is None else _model_in(field.annotation)
            if inner is None:
                return []
            model = inner
    return list(model.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for a in get_args(annotation) if (m := _model_in(a)) is not None), None)
