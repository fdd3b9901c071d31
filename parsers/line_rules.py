"""How an instrument ends and guards its lines, as a taught map may state it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

Checksum = Literal["xor8", "sum8", "crc16", "crc32"]
ParityBit = Literal["even", "odd"]
LINE_ENDS: dict[str, bytes] = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r"}
_KEYS = ("lineEnd", "checksum", "parityBit")


@dataclass(frozen=True, slots=True)
class LineRules:
    """What stands around the cells of a line; None is left to the evidence.

    Attributes
    ----------
    line_end : str or None
        ``crlf``, ``lf`` or ``cr``.
    checksum : str or None
        Behind a ``*``: ``xor8`` (the parity of each column of bits over the line), ``sum8``,
        ``crc16`` or ``crc32``.
    parity_bit : str or None
        ``even`` or ``odd`` where bit 7 of each byte is a parity bit.
    """

    line_end: str | None = None
    checksum: Checksum | None = None
    parity_bit: ParityBit | None = None

    def as_json(self) -> dict[str, str]:
        """Return what is stated, by its names in a map."""
        values = (self.line_end, self.checksum, self.parity_bit)
        return {key: value for key, value in zip(_KEYS, values, strict=True) if value is not None}


def line_rules_from(document: Mapping[str, object]) -> LineRules:
    """Return the rules that a map states.

    Raises
    ------
    ValueError
        Naming a key or a value that is not known.

    Examples
    --------
    >>> line_rules_from({"lineEnd": "cr", "checksum": "crc16"})
    LineRules(line_end='cr', checksum='crc16', parity_bit=None)
    """
    allowed = (tuple(LINE_ENDS), get_args(Checksum), get_args(ParityBit))
    for key, value in document.items():
        if key not in _KEYS:
            raise ValueError(f"{key!r} is no rule of a line; there are {', '.join(_KEYS)}")
        known = allowed[_KEYS.index(key)]
        if value not in known:
            raise ValueError(f"{key} {value!r}: expected one of {', '.join(known)}")
    return LineRules(*(document.get(key) for key in _KEYS))  # type: ignore[arg-type]
