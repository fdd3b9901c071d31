"""What a person may do to a cut, as data: checked, folded to what stands, applied to the proposal.

The list of operations only grows. ``undo`` takes back the last one that stands, and is itself kept
in the list: nothing that was done disappears.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, get_args

from parsers.cut_corrections import (
    Action,
    Correction,
    CorrectionError,
    FiguresBySpan,
    apply_corrections,
)
from parsers.cut_points import Floats, proposed_phases
from parsers.model import PHASES, Phase
from parsers.segments import CutOptions, Segment

OperationName = Literal["move", "split", "join", "rate", "drop", "keep", "phase", "undo"]
OPERATIONS: tuple[OperationName, ...] = get_args(OperationName)
_ON_SEGMENTS: tuple[Action, ...] = get_args(Action)
PhaseBasis = Literal["log", "stated", "person"]


@dataclass(frozen=True, slots=True)
class CutOperation:
    """One operation; times are seconds of the log.

    - ``move``: the boundary nearest ``at`` goes to ``to``;
    - ``split`` at ``at``; ``join``: the boundary nearest ``at`` goes;
    - ``rate``: the plateau around ``at`` was fired at ``rate`` percent;
    - ``drop``: the plateau around ``at`` is no firing point; ``keep``: the stretch there is one;
    - ``phase``: the plateau around ``at``, or every plateau without ``at``, was taken in ``phase``;
    - ``undo``: the last operation that stands is taken back.
    """

    action: OperationName
    at: float | None = None
    to: float | None = None
    rate: float | None = None
    phase: Phase | None = None
    why: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return only what is given."""
        return {key: value for key, value in asdict(self).items() if value not in (None, "")}


def operation_from(document: Mapping[str, Any]) -> CutOperation:
    """Return an operation as the book keeps it."""
    return CutOperation(**document)


def standing(operations: Sequence[CutOperation]) -> list[CutOperation]:
    """Return the operations that stand once the undone ones are taken back.

    Raises
    ------
    CorrectionError
        If there is nothing to undo.
    """
    out: list[CutOperation] = []
    for one in operations:
        if one.action != "undo":
            out.append(one)
        elif out:
            out.pop()
        else:
            raise CorrectionError("there is no correction to take back")
    return out


def applied(
    proposal: Sequence[Segment],
    operations: Sequence[CutOperation],
    times: Floats,
    columns: Mapping[str, Floats],
    *,
    response_time: float | None = None,
    stated_phase: Phase | None = None,
    shown: tuple[Mapping[str, float], float] | None = None,
    figures: FiguresBySpan | None = None,
) -> tuple[list[Segment], dict[float, Phase], dict[float, PhaseBasis]]:
    """Return the cut with its operations, the phase of each plateau by its start, and from where.

    ``shown`` are the lags [s] and the response time [s] that the proposal shows, None to look;
    ``figures`` those taken before, as ``parsers.cut_corrections`` takes them.

    Raises
    ------
    CorrectionError
        If an operation does not fit the cut; the message says what would.
    """
    stand = standing(operations)
    corrections = []
    for one in stand:
        if one.action == "phase":
            if one.phase not in PHASES:
                raise CorrectionError("as_found, trial or as_left is needed")
            continue
        if one.at is None:
            raise CorrectionError(f"to {one.action} needs the time of the log it is meant at")
        if one.action not in _ON_SEGMENTS:
            raise CorrectionError(f"{one.action} is none of {', '.join(OPERATIONS)}")
        why = f"({one.why})" if one.why else ""
        corrections.append(Correction(one.action, one.at, one.to, one.rate, why=why))
    segments = apply_corrections(
        proposal,
        corrections,
        times,
        columns,
        options=CutOptions(response_time=response_time),
        shown=shown,
        figures=figures,
    )
    phases: dict[float, Phase] = {}
    basis: dict[float, PhaseBasis] = {}
    seen = proposed_phases(segments)
    plateaus = [s for s in segments if s.kind == "plateau"]
    for s in plateaus:
        if s.start in seen:
            phases[s.start], basis[s.start] = seen[s.start], "log"
        elif stated_phase is not None:
            phases[s.start], basis[s.start] = stated_phase, "stated"
    for one in stand:
        if one.action != "phase" or one.phase is None:
            continue
        meant = [s for s in plateaus if one.at is None or s.start <= one.at <= s.end]
        if not meant and one.at is not None:
            # The stretch was dropped after its phase was stated: there is nothing to say it of.
            continue
        for s in meant:
            phases[s.start], basis[s.start] = one.phase, "person"
    return segments, phases, basis
