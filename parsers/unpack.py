"""What kind of bytes these are, and packed uploads unpacked within a stated limit."""

from __future__ import annotations

import gzip
import io
import zipfile
import zlib
from pathlib import PurePosixPath
from typing import IO

from parsers.errors import NotAnAnalyzerFile, Problem, ReadError, TooLarge
from parsers.model import ReadWarning

_KINDS: tuple[tuple[bytes, str], ...] = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"II*\x00", "a picture (TIFF)"),
    (b"MM\x00*", "a picture (TIFF)"),
    (b"BM", "a picture (bitmap)"),
    (b"RIFF", "a media file"),
    (b"\x00\x00\x00\x18ftyp", "a picture or film"),
    (b"\x00\x00\x00\x1cftyp", "a picture or film"),
    (b"\x00\x00\x00 ftyp", "a picture or film"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a rar archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"SQLite format 3", "a database"),
    (b"PAR1", "a Parquet table"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"{\\rtf", "a word processor's document"),
)


def wrong_kind(name: str, what: str, raw: str = "") -> NotAnAnalyzerFile:
    """Return the error for a file that is something else."""
    return NotAnAnalyzerFile(
        name,
        [
            Problem(
                "wrong_file",
                f"this is {what}, not a table or list of readings",
                "text (CSV, tabs, a printer's lines) or a spreadsheet (.xlsx, .ods) with "
                "headings such as O2, CO or stack temperature",
                "Export the readings from the instrument as CSV or a spreadsheet; keep a picture "
                "or a PDF as an attachment of the visit.",
                line=1,
                column=1,
                raw=raw or None,
            )
        ],
    )


def refuse_foreign(data: bytes, name: str) -> None:
    """Raise where the first bytes are those of a picture, a document or a program."""
    for magic, what in _KINDS:
        if data.startswith(magic) and (len(magic) > 2 or b"\x00" in data[:64]):
            raise wrong_kind(name, what, data[:8].decode("latin-1").replace("\x00", "\\0"))


def _too_large(name: str, limit: int) -> TooLarge:
    return TooLarge(
        name,
        [
            Problem(
                "too_large",
                f"the content is larger than {limit} bytes",
                "at most that many bytes, unpacked",
                "Split the log by day and upload the parts.",
                line=1,
                column=1,
            )
        ],
    )


def _broken(name: str, error: Exception) -> ReadError:
    return ReadError(
        name,
        [
            Problem(
                "archive_broken",
                f"the packed file cannot be unpacked ({error})",
                "a whole zip or gzip file",
                "Pack or download it again.",
                line=1,
                column=1,
            )
        ],
    )


def is_spreadsheet(data: bytes) -> bool:
    """Return whether the bytes are an .xlsx, .ods or old binary spreadsheet."""
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        return True
    if not data.startswith(b"PK\x03\x04"):
        return False
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        return False
    return "xl/workbook.xml" in names or "xl/workbook.bin" in names or "content.xml" in names


def _bounded(stream: IO[bytes] | gzip.GzipFile, limit: int, name: str) -> bytes:
    data: bytes = stream.read(limit + 1)
    if len(data) > limit:
        raise _too_large(name, limit)
    return data


def _member(data: bytes, name: str, limit: int) -> tuple[bytes, str]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        wanted = [
            i
            for i in archive.infolist()
            if not i.is_dir()
            and not i.filename.startswith("__MACOSX")
            and not PurePosixPath(i.filename).name.startswith(".")
        ]
        if len(wanted) > 1:
            likely = [
                i
                for i in wanted
                if PurePosixPath(i.filename).suffix.casefold()
                in {".csv", ".txt", ".tsv", ".xlsx", ".ods", ".log", ".dat", ".xls"}
            ]
            wanted = likely if len(likely) == 1 else wanted
        if len(wanted) != 1:
            listed = ", ".join(i.filename for i in wanted[:5]) or "nothing"
            raise ReadError(
                name,
                [
                    Problem(
                        "archive_members",
                        f"the archive holds {len(wanted)} files ({listed})",
                        "exactly one file of readings",
                        "Upload the files one by one.",
                        line=1,
                        column=1,
                    )
                ],
            )
        with archive.open(wanted[0]) as stream:
            return _bounded(stream, limit, name), wanted[0].filename


def unpacked(data: bytes, name: str, limit: int) -> tuple[bytes, list[ReadWarning]]:
    """Return the bytes inside a zip or gzip, or the bytes themselves.

    Raises
    ------
    TooLarge
        If more than ``limit`` bytes come out; reading stops there, whatever the packer claims.
    """
    if len(data) > limit:
        raise _too_large(name, limit)
    said: list[ReadWarning] = []
    for _ in range(2):
        try:
            if data.startswith(b"\x1f\x8b"):
                with gzip.GzipFile(fileobj=io.BytesIO(data)) as stream:
                    data = _bounded(stream, limit, name)
                said.append(ReadWarning("unpacked", "read from inside a gzip file"))
            elif data.startswith(b"PK\x03\x04") and not is_spreadsheet(data):
                data, member = _member(data, name, limit)
                said.append(ReadWarning("unpacked", f"read {member!r} from inside a zip file"))
            else:
                return data, said
        except ReadError:
            raise
        except (zipfile.BadZipFile, OSError, EOFError, zlib.error, RuntimeError, ValueError,
                NotImplementedError, KeyError, UnicodeDecodeError) as error:  # fmt: skip
            raise _broken(name, error) from error
    if data.startswith((b"\x1f\x8b", b"PK\x03\x04")) and not is_spreadsheet(data):
        raise _broken(name, ValueError("packed more than twice"))
    return data, said
