"""What the readers of files refuse and warn of is said in the language of the page's reader."""

from __future__ import annotations

import ast
import io
import re
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest

from api.findings import reading_said
from api.guards import MUCH, SLOW
from api.locales.reader_texts import read_texts
from api.locales.sentences import FLOORS, is_text, refused, template_of
from api.problems import problem_of_read_error
from api.refusals import PAGE_WORDS, page_said, told
from api.words import speaking, words_of
from ingest.cut_logs import read_log
from ingest.how_read import HowRead
from parsers import LineRange, ReadError, Reading, ReadOptions, assign, firing_points, read
from parsers.maps import taught
from tests.page_words import english_in
from tests.parsers.corpus import cases

SAYS = {"Problem": 1, "ReadWarning": 1, "NotRead": 4, "warn": 1, "refuse": 2, "CorrectionError": 0,
        "_refusal": 2, "wrong_field": 1, "_wrong": 1}  # fmt: skip
"""What makes a message for a person -> the place of the first argument that is one."""
_WORDS = re.compile(r"[a-z]{2,} |[ (][a-z]{2,}")


def messages_in_code() -> Iterator[tuple[str, str]]:
    """Yield (file, text) of each text that stands in a call of ``SAYS``, wherever it is written."""
    patterns = (
        "parsers/*.py",
        "ingest/*.py",
        "api/*options.py",
        "api/pages/cut*.py",
        "api/routes/files.py",
    )
    for path in sorted(p for pattern in patterns for p in FLOORS.glob(pattern)):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(call, ast.Call):
                continue
            name = getattr(call.func, "id", getattr(call.func, "attr", ""))
            if name not in SAYS:
                continue
            given = [*call.args[SAYS[name] :], *(k.value for k in call.keywords if k.arg != "raw")]
            for node in given:
                text = template_of(node)[0] if is_text(node) else ""
                if _WORDS.search(re.sub(r"\{\w+\}", "", text)):
                    yield path.relative_to(FLOORS).as_posix(), text.strip(" ;,:")


def test_every_message_of_a_reader_stands_in_the_table_and_has_its_spanish() -> None:
    spanish = words_of("es")
    table = {text for _file, text, _ in (*read_texts(), *refused())}
    found = list(messages_in_code())
    assert len(found) > 100
    assert [one for one in found if one[1] not in table] == []
    assert sorted(text for _, text, _ in read_texts() if spanish.t(text) == text) == []


def _zip(*names: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in names:
            archive.writestr(name, "O2 [%]\n5\n")
    return out.getvalue()


NOON = datetime(2026, 9, 14, 12, tzinfo=UTC)
ONE = Reading({"o2_dry": 3.0}, NOON, firing_rate=100.0, lines=(5,), phase="as_left", fuel="gas")
BARE = Reading({"o2_dry": 4.0}, NOON + timedelta(minutes=1), lines=(6,))
SMALL = ReadOptions(max_careful=20, max_unpacked=5)
MAP = ReadOptions(map=taught("the board", ["Sauerstoff?", "Kram"], {"Kram": "note"}))

REFUSED: tuple[Callable[[], object], ...] = (
    *(lambda data=data: read(data, "f.csv") for data in (
        b"", b" \n\n", b"%PDF-1.7\n...", b"\x89PNG\r\n\x1a\n", b"a,b,c\n1,2,3\n",
        b"O2 [%];CO [ppm]\n", b"O2,CO,Stack temperature\n5,20,350\n", b"O2 [%],Draft\n5,20\n",
        b"O2 [%];Fuel input\n5;20\n", b"O2 [%];Stack temperature [ppm]\n5;20\n",
        b"O2 [%];Firing rate\n5;0.5\n6;1\n",
        b"O2 [%];Oxygen [%]\n5;6\n", b"CO [ppm];NO [ppm]\n1.234;2.345\n",
        b"Date;O2 [%]\n03/04/2026;5\n", b"T stack [\xc2\xb0C];O2\n\xc2\xb0F;%\n350;5\n",
        b"\x1f\x8b broken", b"\xd0\xcf\x11\xe0" + bytes(600), _zip("a.csv", "b.csv"), _zip(),
        bytes(range(1, 9)) * 40, b"O2 [%];Firing rate [%]\n5;0.5\n6;1\n",
    )),
    lambda: read(b"O2 [%]\n5\n" * 9, "f.csv", options=SMALL),
    lambda: read(_zip("a.csv"), "f.zip", options=SMALL),
    lambda: read(b"Oxy;Other\n1;2\n", "f.csv", options=MAP),
    lambda: assign([ONE, BARE], rates=[100]),
    lambda: assign([ONE, BARE], rates=[50, 400]),
    lambda: assign([ONE], phase="trial", line_ranges=[LineRange(5, 7, phase="trial")]),
    lambda: assign([ONE, BARE], line_ranges=[LineRange(5, 6), LineRange(6, 8), LineRange(50, 60)]),
    lambda: firing_points([ONE, BARE]),
    lambda: firing_points([]),
    lambda: read_log(b"O2 [%];CO [ppm]\n5;3\n6;4\n", "f.csv", HowRead()),
    lambda: read_log(b"Elapsed [s];O2 [%]\n1;5\n2;6\n", "f.csv", HowRead()),
)  # fmt: skip


def _without_quoted(text: str) -> str:
    return re.sub(r"'[^']*'|\"[^\"]*\"|[a-z0-9]+_\w+(=\w+)?|\bOFF\b", " ", text)


@pytest.fixture(scope="module")
def errors() -> list[ReadError]:
    found = []
    for attempt in REFUSED:
        with pytest.raises(ReadError) as caught:
            attempt()
        found.append(caught.value)
    return found


def test_every_kind_of_refusal_is_said_in_spanish_message_expectation_and_step(
    errors: list[ReadError],
) -> None:
    codes = {problem.code for error in errors for problem in error.problems}
    written = {
        call.args[0].value
        for path in sorted((FLOORS / "parsers").glob("*.py"))
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call)
        and getattr(call.func, "id", "") == "Problem"
        and isinstance(call.args[0], ast.Constant)
    }
    assert len(written) > 15
    assert written - codes == set()
    with speaking(words_of("es", "MX")):
        for error in errors:
            items = told(problem_of_read_error(error).details.errors)
            for problem, item in zip(error.problems, items, strict=True):
                said = " ".join((item.message, item.expected or "", item.next_step or ""))
                assert item.message != problem.message, said
                assert english_in(_without_quoted(said)) == [], said
                assert "--" not in said and "fluebook maps" not in said


def test_every_line_and_warning_of_the_corpus_is_said_in_spanish() -> None:
    texts = set[str]()
    for case in cases()[::5]:
        try:
            result = read(case.data, "f", options=case.table.options)
        except ReadError:
            continue
        texts |= {w.message for w in result.warnings} | {n.why for n in result.not_read}
        texts |= {c.why for c in result.columns}
        texts |= {why for r in result.readings for why in r.missing.values()}
    texts -= {""}
    assert len(texts) > 40
    with speaking(words_of("es", "ES")):
        assert sorted(t for t in texts if reading_said(t) == t) == []
        english = {t: english_in(_without_quoted(reading_said(t))) for t in texts}
    assert {t: found for t, found in english.items() if found} == {}


def test_programs_keep_the_english_and_a_page_never_names_a_command(
    errors: list[ReadError],
) -> None:
    error = errors[12]
    assert "--decimal" in str(error)
    assert problem_of_read_error(error).details.errors[0].next_step == error.problems[0].next_step
    table = {text for _file, text, _ in read_texts()}
    assert set(PAGE_WORDS) <= table | {SLOW, MUCH}  # of the readers, and of who guards bodies
    commands = {text for text in table if re.search(r" --\w|fluebook (maps|read)", text)}
    assert commands <= set(PAGE_WORDS)
    for step in commands:
        assert not re.search(r"--\w|fluebook", page_said(step))


def test_what_a_refusal_quotes_of_a_file_stands_as_it_stands_there() -> None:
    for said in ("the cell '2026-11-02' is not a number", "log 2026-11-02.csv has no reading"):
        assert page_said(said) == said
