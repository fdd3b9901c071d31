"""Rules of the house that a machine can check: nothing here names a workplace or an address."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
# Written in pieces so that this file does not trip over itself.
FORBIDDEN = (
    re.compile("/" + r"work/(main|shared|\.library)"),
    re.compile(r"files\.python" + r"hosted|pypi\." + r"org|registry\.npm" + r"js"),
    re.compile(r"\bseed " + r"document\b", re.IGNORECASE),
)
TEXT = {".py", ".md", ".toml", ".txt", ".html", ".css", ".js", ".csv", ".json", ".yml", ".yaml", ""}


def tracked_files() -> list[Path]:
    listing = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listing.returncode != 0:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in listing.stdout.split("\0") if name and (ROOT / name).is_file()]


def test_no_file_names_a_path_of_a_machine_or_a_registry_host() -> None:
    found = []
    for path in tracked_files():
        if path.suffix not in TEXT or path.stat().st_size > 2_000_000:
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        found += [f"{path.relative_to(ROOT)}: {p.pattern}" for p in FORBIDDEN if p.search(text)]
    assert found == []


def test_constraints_hold_versions_and_no_address() -> None:
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    assert len(lines) > 50
    assert all(re.match(r"^[A-Za-z0-9_.\-]+(\[[a-z,]+\])?==[^ ]+( ;.*)?$", line) for line in lines)


def test_every_top_level_package_is_declared_for_the_wheel() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())
    include = declared["tool"]["setuptools"]["packages"]["find"]["include"]
    packages = {p.parent.name for p in ROOT.glob("*/__init__.py")} - {"tests", "benchmarks"}
    assert {name.rstrip("*") for name in include} == packages


def test_the_fixed_packages_are_really_used() -> None:
    wanted = ["fastapi", "pydantic", "serial", "pandas", "pint", "sqlite_utils"]
    sources = "\n".join(
        p.read_text()
        for f in ("combustion", "parsers", "ingest", "api")
        for p in ROOT.glob(f"{f}/**/*.py")
    )
    unused = [
        n for n in wanted if not re.search(rf"^\s*(import|from) {n}\b", sources, re.MULTILINE)
    ]
    assert unused == []
    tests = "\n".join(p.read_text() for p in ROOT.glob("tests/**/*.py"))
    assert re.search(r"^import respx|^from respx", tests, re.MULTILINE)
