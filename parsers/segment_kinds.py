"""What each stretch of a log was: flame or air, a stay or the way between two stays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from parsers.pieces import Piece, signal_of
from parsers.segments import Segment, SegmentKind
from parsers.step_response import Signal, binned, fit

Floats = NDArray[np.float64]

FRESH_AIR_O2 = 17.5
"""Above this no boiler burner fires [% dry]; the instrument reads air. Common practice."""


def _breathes_air(piece: Piece, bins: Mapping[str, Signal]) -> bool:
    for key, limit, above in (("o2_dry", FRESH_AIR_O2, True), ("co2_dry", 1.5, False)):
        signal = bins.get(key)
        if signal is None:
            continue
        here = signal.weights[piece.first : piece.end] > 0
        values = signal.values[piece.first : piece.end][here]
        if not len(values):
            continue
        tail = float(np.median(values[-max(1, len(values) // 4) :]))
        f = piece.fits[key]
        heading_there = (f.level > 16.0 and f.start < 0 and f.u_level < 1.5) if above else False
        mostly = (float(np.median(values)) > limit) == above  # the flame came at its very end
        return mostly or (tail > limit) == above or heading_there
    return False


def _on_the_way_to_air(piece: Piece, bins: Mapping[str, Signal]) -> bool:
    """Return whether O2 climbs far within a piece, beyond what a flame leaves in the gas.

    Twelve percent and a climb of four: what a firing rate or an adjustment does is less (common
    practice).
    """
    signal = bins.get("o2_dry")
    if signal is None:
        return False
    values = signal.values[piece.first : piece.end]
    values = values[signal.weights[piece.first : piece.end] > 0]
    return len(values) > 2 and bool(values[-1] > 12.0 and values[-1] - values[0] > 4.0)


def segments_of(
    signals: Sequence[Signal],
    pieces: Sequence[Piece],
    times: Floats,
    width: float,
    response: float,
    arrays: Mapping[str, Floats],
) -> list[Segment]:
    """Return the pieces as segments with their kinds."""
    bins = {s.key: s for s in signals}
    for key in ("o2_dry", "co2_dry"):
        if key not in bins and key in arrays:  # cut by others, told from air by this
            bins[key] = signal_of(
                key, *binned(times, arrays[key], width), response / 2.3 / width, 1.0
            )
            for p in pieces:
                p.fits[key] = fit(bins[key], p.first, p.end)
    air = [_breathes_air(p, bins) for p in pieces]
    for n, p in enumerate(pieces):
        if not air[n] and p.bins <= 2 * response / width:
            air[n] = _on_the_way_to_air(p, bins)
    begin = float(times[0])
    finish = float(times[-1])
    out: list[Segment] = []
    for n, p in enumerate(pieces):
        start, end = begin + p.first * width, min(begin + p.end * width, finish)
        if n == len(pieces) - 1:
            end = finish
        if air[n]:
            kind, why = _air_kind(pieces, air, n, bins)
        elif end - start < (20.0 if "firing_rate" in bins else max(0.8 * response, 20.0)):
            follows = n > 0 and air[n - 1]
            kind = "light_off" if follows and out[-1].kind != "air" else "ramp"
            why = "shorter than the instrument's response"
        elif _shut_down(pieces, air, n, bins, response / width):
            kind, why = "off", "the recorded firing rate is zero, and air follows"
        elif _rate_moves(p, bins):
            kind, why = "ramp", "the recorded firing rate moves"
        elif "firing_rate" not in bins and end - start < 45.0 and _on_the_way(pieces, n, bins):
            kind, why = "ramp", "short, and every quantity goes on the same way after it"
        else:
            kind, why = "plateau", "all quantities head for one level"
        if (
            kind == "plateau"
            and out
            and out[-1].kind == "plateau"
            and _one_stay(pieces[n - 1], p, bins, response / width)
        ):
            # The gas has barely begun to answer: one stay at one rate, not two.
            out[-1] = replace(out[-1], end=end)
            continue
        out.append(Segment(kind, start, end, why=why))
    return _run_together(out)


def _one_stay(a: Piece, b: Piece, bins: Mapping[str, Signal], response: float) -> bool:
    """Return whether two neighbours are one stay at a recorded firing rate, ``response`` in bins.

    A stay is cut in two where the gas has barely begun to answer, or where the servo was still
    travelling at its beginning.
    """
    if "firing_rate" not in bins:
        return False
    first, last, after = *_rate_ends(a, bins), _rate_ends(b, bins)[1]
    if abs(last - after) >= 1.0:
        return False
    if min(a.bins, b.bins) <= 0.8 * response:
        return True
    travelled = abs(first - last) > 1.0 and a.bins < 1.2 * response
    return travelled and not _adjusted(a, b)


def _adjusted(a: Piece, b: Piece) -> bool:
    """Return whether O2 heads for a level clearly another: the burner was adjusted at its rate."""
    one, other = a.fits.get("o2_dry"), b.fits.get("o2_dry")
    if one is None or other is None:
        return False
    unsure = 4.0 * float(np.hypot(one.u_level, other.u_level))
    return abs(one.level - other.level) > max(0.3, unsure)


def _shut_down(
    pieces: Sequence[Piece],
    air: Sequence[bool],
    n: int,
    bins: Mapping[str, Signal],
    response: float,
) -> bool:
    """Return whether a piece is the burner going out: its recorded rate is zero and air follows.

    A rate of zero alone does not say so: some controls call low fire zero (common practice), so
    only what is no longer than one ``response`` [bins] goes.
    """
    if "firing_rate" not in bins or n + 1 == len(pieces) or not air[n + 1]:
        return False
    return _rate_ends(pieces[n], bins)[1] < 1.0 and pieces[n].bins <= response


def _rate_ends(piece: Piece, bins: Mapping[str, Signal]) -> tuple[float, float]:
    """Return the recorded firing rate at the beginning of a piece and over its last third."""
    signal = bins["firing_rate"]
    here = slice(piece.first, piece.end)
    rates = signal.values[here][signal.weights[here] > 0]
    if not len(rates):
        return float("nan"), float("nan")
    return float(rates[0]), float(np.median(rates[-max(1, len(rates) // 3) :]))


def _rate_moves(piece: Piece, bins: Mapping[str, Signal]) -> bool:
    """Return whether a recorded firing rate travels inside a piece, its ragged ends apart."""
    signal = bins.get("firing_rate")
    if signal is None:
        return False
    ragged = 1 if piece.bins >= 7 else 0
    inner = slice(piece.first + ragged, piece.end - ragged)
    rates = signal.values[inner][signal.weights[inner] > 0]
    if len(rates) < 2:
        return False
    third = max(1, len(rates) // 3)
    return abs(float(np.median(rates[-third:]) - np.median(rates[:third]))) > 3.0


def _on_the_way(pieces: Sequence[Piece], n: int, bins: Mapping[str, Signal]) -> bool:
    """Return whether a piece lies between its neighbours in stack temperature or O2.

    A servo takes up to a minute over its range: the way between two rates looks like a short stay.
    """
    if n == 0 or n + 1 == len(pieces):
        return False
    key = "stack_temperature" if "stack_temperature" in bins else next(iter(bins))
    a, here, b = (p.fits[key].level for p in pieces[n - 1 : n + 2])
    return min(a, b) < here < max(a, b)


def _air_kind(
    pieces: Sequence[Piece], air: Sequence[bool], n: int, bins: Mapping[str, Signal]
) -> tuple[SegmentKind, str]:
    """Return what a stretch of air was: the probe in fresh air, a purge, or no burner running."""
    firing_before = any(not a for a in air[:n])
    firing_after = any(not a for a in air[n + 1 :])
    stack = bins.get("stack_temperature")
    if stack is not None and firing_before and firing_after:
        hot = pieces[n].fits["stack_temperature"].level
        levels = [
            p.fits["stack_temperature"].level
            for p, a in zip(pieces, air, strict=True)
            if not a and p.fits["stack_temperature"].u_level < 5
        ]
        if levels and hot > min(levels) - 5.0:
            return "air", "O2 of air while the stack stays hot"
    if firing_after and n + 1 < len(air) and not air[n + 1]:
        return "purge", "O2 of air right before the flame"
    return "off", "O2 of air, no flame"


def _run_together(segments: Sequence[Segment]) -> list[Segment]:
    """Return neighbours of one kind as one, plateaus excepted."""
    out: list[Segment] = []
    for s in segments:
        if out and s.kind == out[-1].kind and s.kind != "plateau":
            out[-1] = replace(out[-1], end=s.end)
        else:
            out.append(s)
    return out
