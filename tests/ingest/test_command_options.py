"""An option that several commands take is written once."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_no_option_is_written_twice() -> None:
    found: dict[str, list[str]] = defaultdict(list)
    for file in sorted([*ROOT.glob("ingest/*.py"), *ROOT.glob("api/*.py")]):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Subscript) and ast.unparse(node.value) == "Annotated":
                text = ast.unparse(node)
                if "typer." in text:
                    found[text].append(f"{file.name}:{node.lineno}")
    assert len(found) > 30
    assert {text: at for text, at in found.items() if len(at) > 1} == {}
