"""What a rule is: its key, and everything that `fluebook explain` and ``docs/rules.md`` say of it.

A rule's judging lives in the family's ``judge(view)``; this record is its published face. The list
of keys is closed: a flag or a ``not_judged`` entry under any other key is a defect, held by a test.
"""

from __future__ import annotations

from dataclasses import dataclass

from ingest.judgement import Status


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, in the words that a technician or a reviewer reads.

    ``limits`` names the limit keys it uses; ``safety`` marks limits where "too close to tell" is a
    `check` and not an `info`.
    """

    key: str
    family: str
    title: str
    meaning: str
    formula: str
    default: str
    source: str
    status: Status
    causes: str
    next_step: str
    silent: str
    needs: str
    limits: tuple[str, ...] = ()
    safety: bool = False
