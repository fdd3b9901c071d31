"""Bytes to text: encodings, NUL bytes, and physical lines as an editor counts them.

A decision that the bytes do not force (a single-byte code page) comes back as a warning; nothing
is replaced in silence.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from parsers.model import ReadWarning


@dataclass(frozen=True, slots=True)
class Text:
    """Decoded text with the encoding it was taken to be in."""

    text: str
    encoding: str
    warnings: tuple[ReadWarning, ...] = ()


_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_LOST_DEGREE = re.compile(r"Â[°º](?=\s?[CF]\b)|(?<=[\s\[(\d;,])[ø¡�](?=[CF]\b)")
_LINE_END = re.compile(r"\r\n|\n|\r")


def _utf16_without_bom(data: bytes) -> str | None:
    """Return the encoding where every second byte of the start is NUL, as in UTF-16 Latin text."""
    head = data[:4096]
    if len(head) < 8 or len(head) % 2:
        return None
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if odd > 0.7 * half and even < 0.05 * half:
        return "utf-16-le"
    if even > 0.7 * half and odd < 0.05 * half:
        return "utf-16-be"
    return None


def decoded(data: bytes) -> Text:
    """Return the text of the bytes.

    Examples
    --------
    >>> decoded("T °C".encode("cp1252")).encoding
    'cp1252'
    >>> decoded(b"\\xef\\xbb\\xbfO2").text
    'O2'
    """
    warnings: list[ReadWarning] = []
    encoding = next((name for mark, name in _BOMS if data.startswith(mark)), None)
    if encoding is None:
        encoding = _utf16_without_bom(data)
    if encoding is not None:
        text = data.decode(encoding, errors="replace")
    else:
        try:
            text, encoding = data.decode("utf-8"), "utf-8"
        except UnicodeDecodeError:
            text, encoding = _single_byte(data), "cp1252"
            warnings.append(
                ReadWarning(
                    "encoding_assumed", "not valid UTF-8; read as Windows-1252 (Latin-1 superset)"
                )
            )
    if "�" in text:
        line = len(_LINE_END.findall(text[: text.index("�")])) + 1
        warnings.append(
            ReadWarning(
                "bytes_not_decodable", f"bytes that are no {encoding} text were replaced", line
            )
        )
    if found := _LOST_DEGREE.search(text):
        # A degree sign in another code page: the letter after it still says the unit.
        line = len(_LINE_END.findall(text[: found.start()])) + 1
        text = _LOST_DEGREE.sub("°", text)
        warnings.append(ReadWarning("degree_sign", "a garbled degree sign was put right", line))
    if "\x00" in text:
        line = len(_LINE_END.findall(text[: text.index("\x00")])) + 1
        warnings.append(ReadWarning("nul_bytes", "NUL bytes were left out", line))
        text = text.replace("\x00", "")
    return Text(text, encoding, tuple(warnings))


def _single_byte(data: bytes) -> str:
    """Return cp1252 text; its five undefined bytes fall back to Latin-1 control characters."""
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def physical_lines(text: str) -> list[str]:
    r"""Return the lines as an editor numbers them: CRLF, LF and CR each end one, also mixed.

    >>> physical_lines("a\r\nb\rc\n")
    ['a', 'b', 'c']
    >>> physical_lines("")
    []
    """
    if not text:
        return []
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    if lines[-1] == "":
        lines.pop()
    return lines
