"""The grammar of one line: checksums, parity, pairs of label and value, cells to numbers."""

from __future__ import annotations

import binascii
import re
import zlib
from collections.abc import Callable
from functools import reduce
from operator import xor

from combustion.units import is_unit
from parsers.line_rules import Checksum, ParityBit
from parsers.numbers import Parts, readings_of, split_cell

_SUFFIX = re.compile(rb"\*([0-9A-Fa-f]{8}|[0-9A-Fa-f]{4}|[0-9A-Fa-f]{2})")
CHECKSUM_DIGITS: dict[Checksum, int] = {"xor8": 2, "sum8": 2, "crc16": 4, "crc32": 8}
SUMS: dict[Checksum, Callable[[bytes], int]] = {
    "xor8": lambda data: reduce(xor, data, 0),
    "sum8": lambda data: sum(data) & 0xFF,
    "crc16": lambda data: binascii.crc_hqx(data, 0),
    "crc32": zlib.crc32,
}
_EVEN = bytes(b for b in range(256) if b.bit_count() % 2 == 0)
_ODD = bytes(b for b in range(256) if b.bit_count() % 2 == 1)
_SEVEN = bytes(b & 0x7F for b in range(256))


def checksum(kind: Checksum, data: bytes) -> int:
    """Return the checksum of the bytes.

    >>> f"{checksum('crc16', b'123456789'):04X}", f"{checksum('crc32', b'123456789'):08X}"
    ('31C3', 'CBF43926')
    """
    return SUMS[kind](data)


def with_checksum(kind: Checksum, data: bytes) -> bytes:
    """Return the bytes with ``*`` and their checksum in hex behind them."""
    return b"%s*%0*X" % (data, CHECKSUM_DIGITS[kind], checksum(kind, data))


def verified(kind: Checksum, line: bytes) -> bytes | None:
    """Return the line without its checksum where it verifies, else None."""
    digits = CHECKSUM_DIGITS[kind]
    if len(line) <= digits or line[-digits - 1 : -digits] != b"*":
        return None
    body = line[: -digits - 1]
    stated, wanted = line[-digits:], b"%0*X" % (digits, checksum(kind, body))
    # All capitals or none: a digit that changed its case was hit.
    return body if stated in (wanted, wanted.lower()) else None


def checksum_found(line: bytes) -> tuple[Checksum | None, bool]:
    """Return (the checksum that a line verifies under, whether it ends as if it had one)."""
    match = _SUFFIX.search(line, max(0, len(line) - 9))
    if match is None or match.end() != len(line):
        return None, False
    digits = len(match.group(1))
    for kind, wanted in CHECKSUM_DIGITS.items():
        if wanted == digits and verified(kind, line) is not None:
            return kind, True
    return None, True


def had_checksum(kind: Checksum, line: bytes) -> bool:
    """Return whether a line ends almost as one with this checksum: one byte of it may be wrong.

    >>> had_checksum("crc32", b"O2 %;Draft Pa*BE7kBEB3"), had_checksum("crc32", b"O2 %;Draft Pa")
    (True, False)
    """
    digits = CHECKSUM_DIGITS[kind]
    tail = line[-digits - 1 :]
    if len(tail) <= digits:
        return False
    right = sum(c in b"0123456789ABCDEFabcdef" for c in tail[1:]) + (tail[:1] == b"*")
    return right >= digits


def salvaged(kind: Checksum, line: bytes) -> list[tuple[bytes, bytes | None]]:
    """Return pieces of a line as (raw, body or None): whole lines whose ends were lost are found.

    A line end that was hit glues two lines together; each still carries its own checksum.
    """
    digits = CHECKSUM_DIGITS[kind]
    out: list[tuple[bytes, bytes | None]] = []
    begin, fresh = 0, 0
    for star in (m.start() for m in re.finditer(rb"\*", line)):
        end = star + 1 + digits
        # With 32 bits every start may be tried without finding sums by chance; with fewer only
        # those right behind the end of a line before.
        near = (
            range(begin, star) if kind == "crc32" else [*range(begin, begin + 3), fresh, fresh + 1]
        )
        for first in dict.fromkeys(near):
            if not begin <= first < star:
                continue
            body = verified(kind, line[first:end])
            if body:
                if first > begin:
                    out.append((line[begin:first], None))
                out.append((line[first:end], body))
                begin = end
                break
        fresh = end
    if begin < len(line):
        out.append((line[begin:], None))
    return out


def with_parity(data: bytes, parity: ParityBit) -> bytes:
    """Return seven-bit bytes with their parity in bit 7.

    >>> with_parity(b"\\r\\n", "even")
    b'\\x8d\\n'
    """
    wrong = 1 if parity == "even" else 0
    return bytes(b | 0x80 if b.bit_count() % 2 == wrong else b for b in data)


def parity_removed(data: bytes, parity: ParityBit) -> bytes | None:
    """Return the bytes without their parity bit, None where one of them fails."""
    if data.translate(None, _EVEN if parity == "even" else _ODD):
        return None
    return data.translate(_SEVEN)


def pairs_of(text: str) -> list[tuple[str, str]] | None:
    """Return (key, value) pairs of a ``key=value`` line, None where it is no such line.

    >>> pairs_of("O2=5.1%;CO=12ppm; T stack = 180 C")
    [('O2', '5.1%'), ('CO', '12ppm'), ('T stack', '180 C')]
    >>> pairs_of("O2=5,1 CO=12")
    [('O2', '5,1'), ('CO', '12')]
    """
    if "=" not in text:
        return None
    for mark in (";", "\t", r"\|", r",\s", r",(?=[^\d,])"):
        parts = [p for p in re.split(mark, text) if p.strip()]
        if len(parts) == text.count("="):
            break
    else:
        parts = re.split(r"\s+(?=[^\s=]+\s*=)", text.strip())
    out = []
    for part in parts:
        key, equal, value = part.partition("=")
        if not equal or not key.strip() or "=" in value:
            return None
        out.append((key.strip(), value.strip()))
    return out


_LABELLED = re.compile(
    r"\s*(?P<label>[^\W\d_][^:=]*?)(?:\s*:\s*|\s*\.{2,}\s*|\s{2,}|\t+\s*|\s(?=[-+<>]?[0-9]))"
    r"(?P<value>[-+<>]?\s?[0-9][0-9.,]*\s*\S{0,12}(?:\s?\S{1,6})?|[-*]{2,}\S*|off|n/a)\s*",
    re.IGNORECASE,
)


def labelled(text: str) -> tuple[str, str] | None:
    """Return (label, value) of a printed line, None where it is none.

    >>> labelled("Stack temp.....  182.4 C"), labelled("O2 : 5.1 %"), labelled("READY")
    (('Stack temp', '182.4 C'), ('O2', '5.1 %'), None)
    """
    match = _LABELLED.fullmatch(text)
    return (match["label"].strip(" ."), match["value"].strip()) if match else None


def parts_of(cell: str) -> Parts | None:
    """Return the parts of a cell whose digits are plain, with its unit where it has one."""
    parts = split_cell(cell)
    return parts if parts is None or parts.unit is None or is_unit(parts.unit) else None


def marks_of(body: str) -> dict[str, float]:
    """Return each possible decimal mark with the number it gives; one entry where they agree."""
    ways: dict[str, float] = {str(mark): number for mark, number in readings_of(body)}
    if len(ways) == 2 and len(set(ways.values())) == 1:
        return {"either": next(iter(ways.values()))}
    return ways
