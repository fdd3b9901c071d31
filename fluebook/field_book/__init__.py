"""A technician's own book, without signal, and the office's: sent up and fetched down.

Sending may stop anywhere and be repeated: documents are compared first, a file is known by its
bytes, a reading by its id, a correction by the reading that took the other's place. Where both
sides changed the same thing since they last had it in common, neither is overwritten: both versions
are shown and a person says whose stands.
"""

from fluebook.field_book.book import FieldBook
from fluebook.field_book.outcome import Conflict, Outcome, Whose, conflict_lines, differences

__all__ = ["Conflict", "FieldBook", "Outcome", "Whose", "conflict_lines", "differences"]
