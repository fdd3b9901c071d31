"""The templates of the pages, compiled for each language of the readers.

A text of ours without a place to fill is the same for every reader of a language: ``_("...")`` and
``caution("...")`` with nothing beside the text are said once, when a template is compiled, and
stand in it as if they were written there. What is filled in is written by one function instead of
three: texts of people plain and escaped, markup of our own as it is.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, nodes, select_autoescape
from jinja2.compiler import CodeGenerator, Frame
from jinja2.visitor import NodeTransformer
from markupsafe import Markup, escape

from api.cautions import caution_pair
from api.key_words import key_said
from api.pages.show import SEVERITY_WORDS, STATE_WORDS
from api.plain_text import plain
from api.plan_words import named, plan_text
from api.words import Words, capital, speaking, words, words_of

_MARKED = re.compile(r"[&<>\"']").search


def written(value: Any) -> str:
    """Return what a page writes of a value, safe to stand in text and in quoted attributes.

    >>> print(written("a < b"), written(Markup("<b>ours</b>")), written(4))
    a &lt; b <b>ours</b> 4
    """
    kind = type(value)
    if kind is Markup:
        markup: Markup = value
        return markup
    if kind is str:
        text: str = value
        return text if text.isprintable() and _MARKED(text) is None else escape(plain(text))
    return str(value) if kind is int else escape(value)


class _Writer(CodeGenerator):
    """Writes ``written(...)`` where something is filled in."""

    def _output_child_pre(self, node: nodes.Expr, frame: Frame, finalize: Any) -> None:
        self.write("environment.written(")

    def _output_child_post(self, node: nodes.Expr, frame: Frame, finalize: Any) -> None:
        self.write(")")


class _Saying(NodeTransformer):
    """Says in one language what a template asks to be said, where nothing is filled in."""

    def __init__(self, spoken: Words) -> None:
        self._spoken = spoken

    def visit_Call(self, node: nodes.Call) -> nodes.Node:  # noqa: N802  # named so by its base
        self.generic_visit(node)
        match node:
            case nodes.Call(
                node=nodes.Name(name="_" | "caution" as name),
                args=[nodes.Const(value=str(text))],
                kwargs=[],
            ):
                with speaking(self._spoken):
                    said = _said(text) if name == "_" else _caution(text)
                return nodes.Const(said, lineno=node.lineno)
        return node


class Spoken(Environment):
    """The templates in one language."""

    code_generator_class = _Writer
    written = staticmethod(written)

    def __init__(self, language: str) -> None:
        super().__init__(
            loader=PackageLoader("api"),
            autoescape=select_autoescape(["html", "svg"]),
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._saying = _Saying(words_of(language))
        self.globals.update(_GIVEN)
        self.globals.update(key_said=key_said, plan_text=plan_text, named=named)
        self.globals.update(severity_words=SEVERITY_WORDS, state_words=STATE_WORDS)
        self.filters["capital"] = capital

    def _parse(self, source: str, name: str | None, filename: str | None) -> nodes.Template:
        parsed = super()._parse(source, name, filename)
        said: nodes.Template = self._saying.visit(parsed)
        return said


@cache
def templates(language: str) -> Spoken:
    """Return the templates in a language, compiled as they are first asked for."""
    return Spoken(language)


def _escaped(given: dict[str, object]) -> dict[str, object]:
    return {k: v if isinstance(v, int | float) else escape(v) for k, v in given.items()}


def _said(text: str, /, **given: object) -> Markup:
    """Return ``_("...")`` of a template: the text is ours, what is filled in is escaped."""
    return Markup(words().t(text, **_escaped(given)))


def _counted(one: str, many: str, number: int, /, **given: object) -> Markup:
    return Markup(words().n(one, many, number, **_escaped(given)))


def _caution(text: str, /, **given: object) -> Markup:
    """Return ``caution("...")`` of a template: unapproved, with the English beside it."""
    pair = caution_pair(text, **_escaped(given))
    if pair.english is None:
        return Markup(pair.said)
    return Markup(
        f'<span class="caution-said">{pair.said}</span> '
        f'<span class="caution-source small" lang="en">{pair.english}</span>'
    )


_GIVEN = {"_": _said, "_n": _counted, "caution": _caution}
