"""When a page can be used in Chromium: from the start of its navigation until nothing holds it.

A page can be used once its document is read, its scripts have put their handlers on its forms
(where a page has any, they mark ``fluebook-ready``) and no task of 50 ms or more that began before
that still runs. "First" is a browser that was never here: no copy, no worker. "Again" comes back to
the page in the same browser, with the worker answering.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping
from typing import Any

from tests.browser import browser, chromium
from tests.page_list import pages

BOUND_MS = 1000.0
ROUNDS = 3
_Row = tuple[str, float, float | None, str]
_WATCH = """
window.longTasks = [];
new PerformanceObserver(list => list.getEntries().forEach(
  e => window.longTasks.push([e.startTime, e.startTime + e.duration])
)).observe({type: 'longtask', buffered: true});
"""
# A task that holds the page is told after it ends: two more turns of the loop, then what was told.
_USABLE = """async () => {
  const script = document.querySelector('script[src$="/signal.js"]');
  const mark = () => performance.getEntriesByName('fluebook-ready')[0];
  while (script && !mark()) await new Promise(done => setTimeout(done, 5));
  await new Promise(done => setTimeout(done, 250));
  const read = performance.getEntriesByType('navigation')[0];
  const paint = performance.getEntriesByName('first-contentful-paint')[0];
  let usable = Math.max(mark() ? mark().startTime : 0, read.domContentLoadedEventEnd);
  for (const [from, to] of window.longTasks) if (from <= usable) usable = Math.max(usable, to);
  return [usable, read.responseEnd, paint ? paint.startTime : 0,
          window.longTasks.reduce((sum, [from, to]) => sum + to - from, 0)];
}"""


def usable(page: Any, address: str) -> tuple[float, float, float, float]:
    """Open a page; return when it could be used, was read and painted, and its long tasks [ms]."""
    page.goto(address)
    found: list[float] = page.evaluate(_USABLE)
    return found[0], found[1], found[2], found[3]


def interactive(base: str, paths: Mapping[str, str] | None, of: str) -> list[_Row]:
    """Return rows on pages of a server: the median of them, and the slowest by name.

    Parameters
    ----------
    base : str
        Address of the server.
    paths : mapping of name to path, or None
        None takes every page of a demo.
    of : str
        Stands before what was measured.
    """
    if chromium() is None:
        return []
    rows: list[_Row] = []
    with browser() as opened:
        if paths is None:
            paths = {one.name: one.address for one in pages(opened.new_context().request, base)}
        for kind in ("first", "again"):
            found = {n: _times(opened, base + path, kind) for n, path in paths.items()}
            medians = {n: statistics.median(t[0] for t in times) for n, times in found.items()}
            slow = max(medians, key=lambda n: medians[n])
            every = [one for times in found.values() for one in times]
            median, painted = (
                statistics.median(medians.values()),
                statistics.median(one[2] for one in every),
            )
            rows += [
                (f"{of}, {kind}: {len(paths)} pages usable, median", median, None, "ms"),
                (f"{of}, {kind}: slowest usable ({slow})", medians[slow], BOUND_MS, "ms"),
                (f"{of}, {kind}: painted, median", painted, None, "ms"),
                (f"{of}, {kind}: tasks over 50 ms, worst", max(t[3] for t in every), None, "ms"),
            ]
    return rows


def _times(opened: Any, address: str, kind: str) -> list[tuple[float, float, float, float]]:
    """Return what ``usable`` tells, each time in a new browser or again in the same one."""
    taken = []
    context = opened.new_context()
    for _ in range(ROUNDS):
        if kind == "first":
            context.close()
            context = opened.new_context()
        page = context.new_page()
        page.add_init_script(_WATCH)
        taken.append(usable(page, address))
        page.close()
    context.close()
    return taken if kind == "first" else taken[1:]  # the first one brings the worker
