"""What is said when a template is compiled is what would be said to its reader."""

from __future__ import annotations

from typing import Any

import pytest
from markupsafe import Markup

from api.pages.environment import templates
from api.words import speaking, words_of


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize(
    "text",
    [
        '{{ _("Audit trail") }}',
        '<a title="{{ _("Audit trail") }}">{{ "x" if ours else _("Units") }}</a>',
        '{% macro m(t) %}[{{ t }}]{% endmacro %}{{ m(_("Units")) }}{{ _("Units")|capital }}',
        '{% for a in (_("Units"), name) %}{{ a }}{% endfor %}',
        '{{ _("Number {n}", n=name) }} {{ _n("{n} visit", "{n} visits", 2) }}',
        '{{ caution("Shut the gas off before the burner is opened.") }}',
    ],
)
def test_what_is_said_at_once_is_what_is_said_later(language: str, text: str) -> None:
    spoken = templates(language)
    given: dict[str, Any] = {"name": "a < b", "ours": False}
    with speaking(words_of(language)):
        at_once = spoken.from_string(text).render(given)
        # Under other names nothing is known when the template is compiled.
        later = text.replace("_(", "__(").replace("caution(", "later(")
        names = {"__": spoken.globals["_"], "later": spoken.globals["caution"]}
        assert at_once == spoken.from_string(later).render(given, **names)


@pytest.mark.parametrize(
    ("of", "said"),
    [
        ("a < b & \"c\" 'd'", "a &lt; b &amp; &#34;c&#34; &#39;d&#39;"),
        ("mpp\u202e9", "mpp\ufffd9"),
        ("two\nlines", "two\nlines"),
        (Markup("<b>ours</b>"), "<b>ours</b>"),
        (12, "12"),
        (True, "True"),
        (None, "None"),
        (2.5, "2.5"),
    ],
)
def test_what_people_wrote_is_text(of: object, said: str) -> None:
    page = templates("en").from_string('<i title="{{ of }}">{{ of }}</i>')
    assert page.render(of=of) == f'<i title="{said}">{said}</i>'


def test_each_language_has_templates_of_its_own() -> None:
    text = '{{ _("Audit trail") }}'
    said = {language: templates(language).from_string(text).render() for language in ("en", "es")}
    assert said["en"] == "Audit trail" != said["es"]
    assert said["es"] == words_of("es").t("Audit trail")
