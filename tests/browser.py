"""A real Chromium for tests and pictures, and a running demo to point it at."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import axe_core_python

DEMO = [sys.executable, "-c", "from api.command import main; main()", "demo", "--port", "0"]
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--disable-quic",
]
AXE = next(Path(axe_core_python.__file__).parent.rglob("axe.min.js"))
"""axe-core itself, a test's only script: a context that runs it goes without the strict policy."""
SHIFT = 0.05
"""Layout shift that no page may reach; ``WATCH`` counts it in ``window.shift``."""
WATCH = """
window.shift = 0;
new PerformanceObserver(list => list.getEntries().forEach(e => {
  if (!e.hadRecentInput) window.shift += e.value;
})).observe({type: 'layout-shift', buffered: true});
"""
_VIOLATIONS = """([within, rules]) => axe.run(
  within.length ? {include: within.map(one => [one])} : document,
  {resultTypes: ['violations'], selectors: false, ...(rules.length && {runOnly: rules})},
).then(found => found.violations.flatMap(v => v.nodes.map(n => [n.html, n.failureSummary])))"""


def chromium() -> str | None:
    """Return where Chromium is installed, None where it is not."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def running_demo(*options: str) -> Iterator[str]:
    """Run ``fluebook demo`` as a program of its own; yield its address, where nobody signs in."""
    started = subprocess.Popen(
        [*DEMO, *(options or ("--alone",))],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert started.stdout is not None
        said = ""
        for line in started.stdout:
            said += line
            found = re.search(r"http://\S+", line)
            if found:
                yield found.group(0).rstrip("/")
                return
        raise AssertionError(f"the demo printed no address: {said!r}")
    finally:
        started.terminate()
        started.wait(20)
        if started.stdout is not None:
            started.stdout.close()


@contextmanager
def browser() -> Iterator[Any]:
    """Yield a browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=chromium(), args=ARGUMENTS)
        try:
            yield opened
        finally:
            opened.close()


def broken(page: Any, *within: str, rules: Sequence[str] = ()) -> list[tuple[str, str]]:
    """Return what axe-core finds, contrast among it, with everything that folds unfolded.

    It looks at all of the page, or within what the given selectors name, by all its rules, or by
    the given ones. Only what nobody reads is not written out: nodes that pass, and a selector for
    each node, which cost it most of its time.
    """
    page.locator("details").evaluate_all("all => all.forEach(d => { d.open = true; })")
    page.evaluate(AXE.read_text("utf-8"))
    return [(html, why) for html, why in page.evaluate(_VIOLATIONS, [within, rules])]
