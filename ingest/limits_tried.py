"""What other limits or plans would have flagged: visits judged both ways, counted, told apart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

from ingest.figures import Figures, figures_of
from ingest.judgement import Case, Flag
from ingest.models import SEVERITIES, Severity, Visit
from ingest.store.book import stamp

DAYS_TRIED = 365
MOST_TRIED = 400
"""Visits that one trial judges, newest first: a page waits for the answer."""


@dataclass(frozen=True, slots=True)
class Days:
    """The days of a trial, in UTC, the last one included."""

    first: date
    last: date

    @property
    def begin(self) -> str:
        """Return when the first one begins, as the book keeps times."""
        return stamp(datetime.combine(self.first, time(), UTC))

    @property
    def end(self) -> str:
        """Return when the last one ends."""
        return stamp(datetime.combine(self.last, time.max, UTC))


def last_year(today: date, since: date | None = None, until: date | None = None) -> Days:
    """Return the days that a trial looks at: the last year, but for the ends that are stated.

    >>> last_year(date(2026, 3, 4), until=date(2026, 1, 31))
    Days(first=datetime.date(2025, 3, 4), last=datetime.date(2026, 1, 31))
    """
    return Days(since or today - timedelta(days=DAYS_TRIED), until or today)


def _key(flag: Flag) -> tuple[object, ...]:
    # Findings of readings are told apart by where they stand, those of a service part by their id.
    which = flag.id if flag.burner is None else ""
    return (flag.rule, flag.severity, flag.phase, flag.burner, flag.fuel, flag.firing_rates, which)


def _but(flags: Sequence[Flag], others: Sequence[Flag]) -> list[Flag]:
    known = {_key(f) for f in others}
    return [f for f in flags if _key(f) not in known]


def flagged(flags: Sequence[Flag]) -> bool:
    """Return whether anything stands above info."""
    return any(f.severity != "info" for f in flags)


@dataclass(frozen=True, slots=True)
class Tried:
    """One visit judged twice: by the limits or plans in force, and by those asked about.

    Attributes
    ----------
    boiler : str
        Name of the boiler, "" where it is not known.
    before, after : sequence of Flag
        All findings each way.
    figures : mapping of str to Figures
        Those behind the sentences of what comes or goes.
    """

    visit: Visit
    boiler: str
    before: Sequence[Flag]
    after: Sequence[Flag]
    figures: Mapping[str, Figures] = field(default_factory=dict)

    @property
    def new(self) -> list[Flag]:
        """Return the findings that only what is asked about gives."""
        return _but(self.after, self.before)

    @property
    def gone(self) -> list[Flag]:
        """Return the findings that what is asked about no longer gives."""
        return _but(self.before, self.after)

    @property
    def worst(self) -> int:
        """Return the place, from the worst, of the worst severity among what comes or goes."""
        changed = [SEVERITIES.index(f.severity) for f in (*self.new, *self.gone)]
        return min(changed, default=len(SEVERITIES))


def tried(case: Case, boiler: str, before: Sequence[Flag], after: Sequence[Flag]) -> Tried:
    """Return a visit judged twice, with the figures of what comes or goes."""
    changed = (*_but(after, before), *_but(before, after))
    return Tried(
        case.visit,
        boiler,
        before,
        after,
        {flag.message: figures_of(flag, case.points) for flag in changed},
    )


def _worst_first(tried: Iterable[Tried]) -> list[Tried]:
    return sorted(tried, key=lambda t: t.worst)  # those as bad as each other stay newest first


@dataclass(frozen=True, slots=True)
class RuleCount:
    """How many findings a rule gives at one severity, each way."""

    rule: str
    severity: Severity
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Trial:
    """Limits or plans tried on the finished visits of a time; nothing of it is stored.

    Attributes
    ----------
    since, until : date
        First and last day, in UTC.
    finished : int
        Finished visits in that time; only the newest were judged where there are more than tried.
    tried : sequence of Tried
        Newest first.
    """

    since: date
    until: date
    finished: int
    tried: Sequence[Tried]

    @property
    def newly_flagged(self) -> list[Tried]:
        """Return the visits with nothing above info before, and something after, worst first."""
        return _worst_first(t for t in self.tried if not flagged(t.before) and flagged(t.after))

    @property
    def no_longer_flagged(self) -> list[Tried]:
        """Return the visits with something above info before, and nothing after, worst first."""
        return _worst_first(t for t in self.tried if flagged(t.before) and not flagged(t.after))

    @property
    def otherwise_changed(self) -> list[Tried]:
        """Return the visits flagged both ways or neither, by other findings, worst first."""
        return _worst_first(
            t for t in self.tried if flagged(t.before) == flagged(t.after) and (t.new or t.gone)
        )

    def counts(self) -> list[RuleCount]:
        """Return the findings by rule and severity, worst first."""
        before = Counter((f.severity, f.rule) for t in self.tried for f in t.before)
        after = Counter((f.severity, f.rule) for t in self.tried for f in t.after)
        keys = sorted({*before, *after}, key=lambda k: (SEVERITIES.index(k[0]), k[1]))
        return [
            RuleCount(rule, worst, before[worst, rule], after[worst, rule]) for worst, rule in keys
        ]
