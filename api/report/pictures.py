"""Whether a picture can be set in a report: tried with the typesetter itself, once for each."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path

import typst

from ingest.intake_service import picture_type

_KNOWN: dict[str, bool] = {}
_MOST = 4096


def can_be_set(data: bytes) -> bool:
    """Return whether the bytes are a picture that the typesetter can decode.

    A picture cut off on its way has the first bytes of one and would stop the whole report.
    """
    if picture_type(data) is None:
        return False
    digest = hashlib.sha256(data).hexdigest()
    if digest not in _KNOWN:
        if len(_KNOWN) >= _MOST:
            _KNOWN.clear()
        _KNOWN[digest] = _tried(data)
    return _KNOWN[digest]


def _tried(data: bytes) -> bool:
    with tempfile.TemporaryDirectory(prefix="picture-") as folder:
        (Path(folder) / "photo").write_bytes(data)
        source = Path(folder) / "try.typ"
        source.write_text('#image("photo", width: 4cm)', encoding="utf-8")
        try:
            typst.compile(str(source), root=folder)
        except typst.TypstError:
            return False
    return True
