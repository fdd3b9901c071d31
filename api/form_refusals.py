"""A form that cannot be taken apart: which part of it, how much it may hold, and what to do."""

from __future__ import annotations

import re
from types import TracebackType

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException, MultiPartParser

from api.problems import ErrorItem, ProblemError


def problem_of_form(error: HTTPException) -> ProblemError | None:
    """Return why a form was refused while it was read, None where it is something else.

    The framework answers each with 400 and a sentence of its own, in which no field is named.
    """
    cause = error.__context__
    if not isinstance(cause, MultiPartException):
        return None
    known = re.search(r"maximum size of (\d+)KB|number of (fields|files) is (\d+)", cause.message)
    if known is None:
        why = cause.message.rstrip(".")
        message = f"the form cannot be taken apart: {why}"
        expected = "a form as RFC 7578 writes it, with its boundary and a name for each part"
        step = "Send it as a browser or a library for forms writes it; nothing was stored."
        return ProblemError(
            "bad-request", message, [ErrorItem(message=message, expected=expected, next_step=step)]
        )
    field = None
    if known[1] is not None:
        field, most = _field_of(cause.__traceback__), known[1]
        message = f"a field of the form is longer than {most} kB"
        expected = f"at most {most} kB in a field; a file goes in a part with a filename"
        step = "Shorten it, or send it as a file; nothing was stored."
    else:
        most = known[3]
        files = known[2] == "files"
        message = (
            f"the form has more than {most} files"
            if files
            else f"the form has more than {most} fields"
        )
        expected = f"at most {most} files" if files else f"at most {most} fields"
        step = "Send it in several parts; nothing was stored."
    item = ErrorItem(message=message, parameter=field, expected=expected, next_step=step)
    return ProblemError("too-large", message, [item])


def problem_of_packing(coding: str) -> ProblemError:
    """Return that a body was packed on its way.

    Nothing is unpacked before it is known what it may hold, and a file is known by its bytes:
    packed on the way it would be another one. A packed file is taken as what it is.
    """
    message = f"the body is packed as {coding!r} on its way"
    item = ErrorItem(
        message=message,
        parameter="Content-Encoding",
        raw=coding[:40],
        expected="a body as it is; a file that is a .gz or .zip itself is read",
        next_step="Send it without Content-Encoding; nothing was stored.",
    )
    # RFC 9110, 12.5.3: with a 415 it says which codings would have been taken.
    return ProblemError("packed", message, [item], {"Accept-Encoding": "identity"})


def bytes_as_sent(file: UploadFile, field: str) -> UploadFile:
    """Return a file of a form as it is.

    Raises
    ------
    ProblemError
        If it is written otherwise than byte by byte.

    Notes
    -----
    RFC 7578, 4.7 does away with Content-Transfer-Encoding in forms (memory): the form's reader
    leaves it as it is, and ``O2=2C5`` would be kept and read in place of ``O2,5``.
    """
    coding = file.headers.get("content-transfer-encoding", "").strip().casefold()
    if coding in ("", "7bit", "8bit", "binary"):
        return file
    message = f"the file is written as {coding!r} within the form"
    item = ErrorItem(
        message=message,
        parameter=field,
        raw=coding[:40],
        expected="the bytes of the file, without Content-Transfer-Encoding",
        next_step="Send the file as it is; nothing was stored.",
    )
    raise ProblemError("packed", message, [item])


def _field_of(at: TracebackType | None) -> str | None:
    """Return the field that a form's reader was at when it gave up; its error does not say."""
    while at is not None:
        reader = at.tb_frame.f_locals.get("self")
        if isinstance(reader, MultiPartParser):
            name: str = reader._current_part.field_name
            return name[:100] or None
        at = at.tb_next
    return None
