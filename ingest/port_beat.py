"""How long to pause on a flowing port so that one waking serves as many lines as may wait.

Waking up is most of what listening costs. Where bytes come without gaps at the pace of the baud
rate, the next line cannot be whole before its missing bytes have come: until then nothing waits,
and pausing costs nobody anything. Behind that as many whole lines more are waited for as the first
may be late.
"""

from __future__ import annotations

_MARGIN = 0.0002
"""Behind a line's end [s]: bytes come in the pieces of a buffer."""
_DENSE = (0.6, 1.5)
"""Bytes that came against those that the baud rate carries in that time, where there is no gap."""


class Beat:
    """The beat of the lines of one port.

    Parameters
    ----------
    byte : float
        Time of one byte on the line [s].
    late : float
        How long a whole line may wait [s].

    Examples
    --------
    Lines of 40 bytes, 4 ms each; 10 bytes of the next one are here, so 3 ms are missing:

    >>> beat = Beat(0.0001, 0.0045)
    >>> _ = beat.pause(b"x" * 39 + b"\\n", 0.004)
    >>> round(beat.pause(b"x" * 39 + b"\\n" + b"x" * 10, 0.005), 4)
    0.0072
    """

    def __init__(self, byte: float, late: float) -> None:
        self._byte, self._late = byte, late
        self._tail = 0
        self._length = 0

    def first(self) -> float:
        """Return how long to pause [s] at the first byte after a silence, for its line to come."""
        return min(self._late, self._length * self._byte)

    def pause(self, data: bytes, took: float) -> float:
        """Return how long to pause [s] after these bytes, which came in ``took`` [s]."""
        last = data.rfind(b"\n")
        if last < 0:
            last = data.rfind(b"\r")
        if last < 0:
            self._tail += len(data)
        else:
            before = data.rfind(data[last : last + 1], 0, last)
            length = last - before if before >= 0 else self._tail + last + 1
            shortest, self._length = min(length, self._length or length), length
            self._tail = len(data) - last - 1
            low, high = _DENSE
            missing = (shortest - self._tail) * self._byte
            # A baud rate that nothing keeps to, as on a virtual port, foretells nothing.
            if self._tail and missing > 0 and low * took <= len(data) * self._byte <= high * took:
                line = shortest * self._byte
                return missing + _MARGIN + (self._late - _MARGIN) // line * line
        return self._late
