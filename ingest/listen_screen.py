"""What stands on the screen while an analyzer is listened to, and what is said at its end."""

from __future__ import annotations

import time
from typing import Any

from rich.console import Console
from rich.live import Live
from rich.table import Table

from combustion.quantities import QUANTITIES
from ingest.listen_lines import JsonLines, output
from ingest.listening import Listening
from ingest.port import Chunk, Link

CAUTION = (
    "Work on a running burner only as its instructions and local codes allow. If anyone feels "
    "unwell or a CO alarm sounds: leave the room, ventilate, then look for the cause."
)
_TRENDS = {"rising": "↑", "falling": "↓", "steady": "→", "unknown": ""}
_REFRESH = 1.0
"""Drawing the table takes some milliseconds: once a second is a share of a core nobody notices."""
_CUT_EVERY = 15.0
_CUT_SHARE = 200.0


class Screen:
    """What stands on the screen while listening."""

    def __init__(self, heard: Listening, as_json: bool) -> None:
        self.heard, self.as_json = heard, as_json
        self.console = Console()
        self._lines = JsonLines()
        self._out = output()
        self._live: Live | None = None
        self._drawn = 0.0
        self._points = ""
        self._next_cut = time.monotonic() + _CUT_EVERY

    def __enter__(self) -> Screen:
        if not self.as_json:
            self.console.print(CAUTION, style="bold")
            if self.console.is_terminal:
                self._live = Live(console=self.console, auto_refresh=False)
                self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.update(self._table(), refresh=True)
            self._live.stop()

    def show(self, events: list[Any], record: Chunk | Link | None) -> None:
        """Show what came; the table is drawn at most once a second."""
        if self.as_json:
            text = self._lines.of(events, record)
            if text:  # what one waking brought goes out in one piece
                self._out(text)
            return
        if isinstance(record, Link):
            words = {"lost": "link lost, waiting for the cable", "back": "link back, going on"}
            text = words.get(record.state, f"silent: {record.note}")
            self.console.print(f"{record.received:%H:%M:%S} {text}")
        if self._live is not None and time.monotonic() - self._drawn > _REFRESH:
            self._drawn = time.monotonic()
            self._look_for_points()
            self._live.update(self._table(), refresh=True)

    def _look_for_points(self) -> None:
        """Cut what was heard so far, now and then, for at most a two-hundredth of the time."""
        began = time.monotonic()
        if began < self._next_cut or not self.heard.heard:
            return
        _, segments = self.heard.cut()
        plateaus = [s for s in segments if s.kind == "plateau"]
        settled = sum(s.settled for s in plateaus)
        self._points = f"; {len(plateaus)} plateaus so far, {settled} settled"
        if segments:
            self._points += f", now: {segments[-1].kind.replace('_', ' ')}"
        took = time.monotonic() - began
        self._next_cut = began + max(_CUT_EVERY, _CUT_SHARE * took)

    def _table(self) -> Table:
        table = Table(caption=_counts(self.heard) + self._points)
        for name in ("quantity", "now", "change", "trend", "settled"):
            table.add_column(name, justify="right" if name in ("now", "change") else "left")
        for key, now in self.heard.now().items():
            quantity = QUANTITIES[key]
            digits = quantity.decimals
            change = "" if now.change is None else f"{now.change:+.{digits + 1}f}"
            word = "yes" if now.settled else "not yet"
            table.add_row(
                quantity.label, quantity.shown(now.value), change, _TRENDS[now.trend], word
            )
        return table


def _counts(heard: Listening) -> str:
    damage = ", ".join(f"{n} {code}" for code, n in sorted(heard.damage_counts().items()))
    return (
        f"{len(heard.heard)} readings, {len(heard.damage)} damaged"
        + (f" ({damage})" if damage else "")
        + f", {heard.bytes} bytes"
    )


def print_summary(heard: Listening, rates: tuple[float, ...]) -> None:
    """Print what was heard, and the firing points that are proposed of it."""
    console = Console()
    console.print(_counts(heard))
    if not heard.heard:
        hints = {d.next_step for d in heard.damage if d.next_step}
        heard_any = "nothing that could be read" if heard.bytes else "no byte"
        console.print(f"{heard_any} came. " + " ".join(sorted(hints)))
        return
    started, segments = heard.cut(rates)
    plateaus = [s for s in segments if s.kind == "plateau"]
    if not plateaus or started is None:
        console.print("No plateau in it: the burner never stayed long enough at one rate to tell.")
        return
    table = Table(title="Firing points proposed", caption="confirm the rates before judging")
    for name in ("from s", "to s", "rate %", "basis", "O2 %", "CO ppm", "stack degC", "settled"):
        table.add_column(name, justify="right")
    for s in plateaus:
        rate = "?" if s.firing_rate is None else f"{s.firing_rate:g}"
        cells = [
            f"{s.values[k].mean:.{QUANTITIES[k].decimals}f}" if k in s.values else ""
            for k in ("o2_dry", "co_dry", "stack_temperature")
        ]
        lacking = [QUANTITIES[k].label for k, v in s.values.items() if not v.settled]
        word = "yes" if not lacking else "not " + ", ".join(lacking)
        table.add_row(
            f"{s.start:.0f}", f"{s.end:.0f}", rate, s.rate_basis or "to be stated", *cells, word
        )
    console.print(table)
