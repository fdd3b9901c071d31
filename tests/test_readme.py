"""The README's commands are run, and print what it says they print."""

from __future__ import annotations

import doctest
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
SHOWN = [
    (command, said)
    for command, said in re.findall(r"```console\n\$ (.+)\n((?:.*\n)*?)```", README)
    if command.startswith("fluebook ")
]


@pytest.mark.parametrize(("command", "said"), SHOWN, ids=[c.split()[1] for c, _ in SHOWN])
def test_the_command_prints_what_the_readme_shows(command: str, said: str) -> None:
    run = subprocess.run(
        [sys.executable, "-c", "from api.command import main; main()", *shlex.split(command)[1:]],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode in (0, 1, 3), run.stderr
    assert doctest.OutputChecker().check_output(said, run.stdout, FLAGS), run.stdout


def test_the_readme_shows_at_least_three_commands() -> None:
    assert len(SHOWN) >= 3


def test_the_readme_names_every_command() -> None:
    from api.command import COMMANDS

    assert [name for name in COMMANDS if f"fluebook {name}" not in README] == []


def test_every_file_that_the_readme_links_is_there() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert [link for link in links if not (ROOT / link).exists()] == []
