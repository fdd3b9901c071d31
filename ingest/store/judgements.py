"""Judgements: the present one of an open visit, the frozen one of hand-in, and later ones."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal
from uuid import UUID

from ingest.identifiers import new_id
from ingest.judge_json import judge_json
from ingest.judgement import Flag, Judgement, NotJudged, Source
from ingest.limits import LimitSet
from ingest.models import SEVERITIES
from ingest.service.plans import Plan
from ingest.store import standing
from ingest.store.audit import canonical_json
from ingest.store.book import Change
from ingest.store.named import insert, named

_FLAG = ("visit_id", "position", "rule", "severity", "message", "standing")
Kind = Literal["current", "hand_in", "again"]
NO_FLAG_RANK = len(SEVERITIES)


@dataclass(frozen=True, slots=True)
class KeptJudgement:
    """A judgement as the book has it: with the limits it was made by, and never changed."""

    id: UUID
    kind: Kind
    made_at: str
    made_by: str
    why: str | None
    program_version: str
    judgement: Judgement
    limits: dict[str, Any]
    plan: str | None = None
    plan_version: str | None = None


def severity_rank(judgement: Judgement) -> int:
    """Return 0 for a stop to 3 for info, 4 where there is no flag."""
    return NO_FLAG_RANK if judgement.worst is None else SEVERITIES.index(judgement.worst)


def write_judgement(
    change: Change,
    visit_id: UUID,
    kind: Kind,
    judgement: Judgement,
    limits: LimitSet,
    program_version: str,
    why: str | None = None,
    plan: Plan | None = None,
    *,
    first: bool = False,
) -> dict[str, str]:
    """Keep a judgement; the present one of an open visit takes the place of the one before.

    ``first`` says that there is none before.

    Returns its id, the SHA-256 of its document and the plan it was made by, for the trail.
    """
    visit = str(visit_id)
    if kind == "current" and not first:
        change.sql.execute(
            "DELETE FROM judgement WHERE visit_id = :v AND kind = 'current'", {"v": visit}
        )
    identity = new_id()
    document = canonical_json(judge_json(judgement))
    change.sql.execute(
        "INSERT INTO judgement (id, visit_id, kind, made_at, made_by, why, rules_version, "
        "program_version, limits_id, limits_sha256, limits, document, plan, plan_version) VALUES "
        "(:id, :visit, :kind, :at, :who, :why, :rules, :program, :limits_id, :limits_sha256, "
        ":limits, :document, :plan, :plan_version)",
        {
            "id": str(identity),
            "visit": visit,
            "kind": kind,
            "at": change.at,
            "who": change.who,
            "why": why,
            "rules": judgement.rules_version,
            "program": program_version,
            "limits_id": judgement.limits_id,
            "limits_sha256": judgement.limits_sha256,
            "limits": limits.text or canonical_json(dict(limits.snapshot)),
            "document": document,
            "plan": None if plan is None else plan.key,
            "plan_version": None if plan is None else plan.version,
        },
    )
    if kind != "again":
        _write_flags(change, visit_id, judgement, first=first)
    kept = {"judgement": str(identity), "sha256": hashlib.sha256(document.encode()).hexdigest()}
    if plan is not None:
        kept |= {"plan": plan.key, "plan_version": plan.version}
    return kept


def _write_flags(change: Change, visit_id: UUID, judgement: Judgement, *, first: bool) -> None:
    """Keep the flags with what covers them, and the visit's place among the others."""
    visit, flags = str(visit_id), judgement.flags
    by = standing.covering(change.sql, visit_id, flags)
    rank, shown = standing.review_place(flags, by)
    if not first:
        change.sql.execute("DELETE FROM flag WHERE visit_id = :v", {"v": visit})
    insert(
        change.sql,
        "flag",
        _FLAG,
        [
            (visit, n, f.rule, f.severity, f.message, None if k is None else str(k.id))
            for n, (f, k) in enumerate(zip(flags, by, strict=True))
        ],
    )
    change.sql.execute(
        "UPDATE visit SET severity_rank = :worst, review_rank = :rank, review_flag = :first "
        "WHERE id = :v",
        {"worst": severity_rank(judgement), "rank": rank, "first": shown, "v": visit},
    )


def flag_from(found: dict[str, Any]) -> Flag:
    """Return a flag from its part of a judgement's document."""
    source = found["source"]
    return Flag(
        id=found["id"],
        rule=found["rule"],
        severity=found["severity"],
        message=found["message"],
        next_step=found["next_step"],
        phase=found["phase"],
        burner=found["burner"],
        fuel=found["fuel"],
        firing_rates=tuple(found["firing_rates"]),
        quantity=found["quantity"],
        unit=found["unit"],
        value=found["value"],
        uncertainty=found["uncertainty"],
        low=found["limit"]["low"],
        high=found["limit"]["high"],
        answer=found["answer"],
        probability_beyond=found["probability_beyond"],
        source=None if source is None else Source(**source),
        effects=tuple(found["effects"]),
    )


def _judgement(document: str) -> Judgement:
    found = json.loads(document)
    return Judgement(
        visit=found["visit"],
        rules_version=found["rules_version"],
        limits_id=found["limits"]["id"],
        limits_sha256=found["limits"]["sha256"],
        flags=tuple(flag_from(f) for f in found["flags"]),
        not_judged=tuple(NotJudged(**n) for n in found["not_judged"]),
        work_done=tuple(flag_from(f) for f in found["work_done"]),
    )


@lru_cache(maxsize=1024)
def _lacking(text: str) -> tuple[NotJudged, ...]:
    """Return what was not judged; most visits of a list lack the same few things."""
    return tuple(NotJudged(**n) for n in json.loads(text))


def not_judged(
    sql: sqlite3.Connection, visit_ids: Sequence[UUID]
) -> dict[UUID, tuple[NotJudged, ...]]:
    """Return what the deciding judgement of each visit could not judge; in one query for all.

    A visit without a judgement is left out.
    """
    names, given = named("v", list(map(str, visit_ids)))
    rows = sql.execute(
        "SELECT v.id, (SELECT json_extract(j.document, '$.not_judged') FROM judgement j "
        "WHERE j.visit_id = v.id AND j.kind <> 'again' ORDER BY j.id DESC LIMIT 1) "
        f"FROM visit v WHERE v.id IN ({names})",
        given,
    )
    return {UUID(identity): _lacking(text) for identity, text in rows if text is not None}


def judgements(sql: sqlite3.Connection, visit_id: UUID | str) -> list[KeptJudgement]:
    """Return a visit's judgements, oldest first."""
    rows = sql.execute(
        "SELECT id, kind, made_at, made_by, why, program_version, document, limits, plan, "
        "plan_version FROM judgement "
        "WHERE visit_id = :v ORDER BY id",
        {"v": str(visit_id)},
    )
    return [
        KeptJudgement(
            id=UUID(r[0]),
            kind=r[1],
            made_at=r[2],
            made_by=r[3],
            why=r[4],
            program_version=r[5],
            judgement=_judgement(r[6]),
            limits=json.loads(r[7]),
            plan=r[8],
            plan_version=r[9],
        )
        for r in rows
    ]
