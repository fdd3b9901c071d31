"""Every file in samples/ gives the document that stands beside it.

The expected documents are pins of our own output, looked through by hand when they were made; they
are written again by ``python -m tests.parsers.test_samples``.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from parsers import read, read_json

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
FILES = sorted(SAMPLES.glob("*.csv"))


def document(path: Path) -> dict[str, object]:
    shown: dict[str, object] = json.loads(json.dumps(read_json(read(path.read_bytes(), path.name))))
    return shown


def expected(path: Path) -> Path:
    return SAMPLES / "expected" / f"{path.stem}.json"


def test_there_are_samples_and_each_has_its_expected_document() -> None:
    assert len(FILES) >= 6
    assert {p.stem for p in (SAMPLES / "expected").glob("*.json")} == {p.stem for p in FILES}


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_a_sample_is_read_as_expected(path: Path) -> None:
    assert document(path) == json.loads(expected(path).read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_the_lines_of_a_sample_add_up(path: Path) -> None:
    lines = dict(document(path)["lines"])  # type: ignore[call-overload]
    physical = lines.pop("physical")
    assert sum(lines.values()) == physical == len(path.read_bytes().splitlines())


if __name__ == "__main__":
    for file in FILES:
        expected(file).parent.mkdir(exist_ok=True)
        text = json.dumps(document(file), ensure_ascii=False, indent=1)
        expected(file).write_text(text + "\n", encoding="utf-8")
