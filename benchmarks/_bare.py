"""The floor of the API's speed: an application that does nothing but what nobody can leave out.

It validates the same body with the same models, writes the same number of the same rows in one
durable transaction, and answers as many bytes. It judges nothing, keeps no history and asks nobody
who they are: what the rows say was copied once from a book that fluebook filled.
"""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.responses import JSONResponse, Response
from pydantic import Field

from api.posted import PostedReading
from ingest.identifiers import new_id
from ingest.models import Visit

_TABLES = ("reading", "point", "judgement", "flag")


class Body(Visit):
    """A visit with its readings."""

    readings: list[PostedReading] = Field(min_length=1, max_length=20_000)
    burner: str | None = None


def _columns(sql: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in sql.execute(f"PRAGMA table_info({table})")]


def _insert(table: str, columns: list[str]) -> str:
    marks = ", ".join("?" * len(columns))
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})"  # noqa: S608


def bare_app(book: Path, template: str) -> FastAPI:
    """Return the application over a book of its own that holds the visit ``template``."""
    sql = sqlite3.connect(book, isolation_level=None, check_same_thread=False)
    sql.execute("PRAGMA journal_mode = WAL")
    sql.execute("PRAGMA synchronous = FULL")
    sql.execute("PRAGMA foreign_keys = ON")
    rows: dict[str, list[list[Any]]] = {}
    inserts: dict[str, str] = {}
    for table in ("visit", "audit", *_TABLES):
        columns = _columns(sql, table)
        inserts[table] = _insert(table, columns)
        key, given = {
            "visit": ("id", template),
            "audit": ("subject", f"visit:{template}"),
        }.get(table, ("visit_id", template))
        select = f"SELECT * FROM {table} WHERE {key} = ?"  # noqa: S608
        found = sql.execute(select, (given,)).fetchall()
        rows[table] = [list(row) for row in found]
    places = {t: _columns(sql, t) for t in rows}
    last = sql.execute("SELECT MAX(seq) FROM audit").fetchone()[0]
    answer = {"visit": {}, "ids": [str(new_id()) for _ in rows["reading"]], "judgement": {}}
    answer["visit"] = json.loads(rows["visit"][0][places["visit"].index("document")])
    answer["judgement"] = json.loads(rows["judgement"][0][places["judgement"].index("document")])
    app = FastAPI()

    @app.post("/v1/visits", status_code=201)
    async def make(body: Body) -> Response:
        nonlocal last
        identity = str(new_id())
        sql.execute("BEGIN IMMEDIATE")
        for table, kept in rows.items():
            made = []
            for row in kept:
                one = list(row)
                for n, column in enumerate(places[table]):
                    if column == "id":
                        one[n] = identity if table == "visit" else str(new_id())
                    elif column == "visit_id":
                        one[n] = identity
                    elif table == "audit" and column == "seq":
                        last += 1
                        one[n] = last
                made.append(one)
            sql.executemany(inserts[table], made)
        sql.execute(
            "INSERT INTO setting (key, value) VALUES ('audit_head', ?) "
            "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
            (str(last),),
        )
        sql.execute("COMMIT")
        return JSONResponse(answer, 201, {"Location": f"/v1/visits/{identity}", "ETag": '"1"'})

    @app.get("/v1/visits/{visit_id}")
    async def one(visit_id: str) -> Response:
        found = sql.execute(
            "SELECT v.document, j.document FROM visit v JOIN judgement j ON j.visit_id = v.id "
            "WHERE v.id = ? AND j.kind = 'current'",
            (visit_id,),
        ).fetchone()
        points = sql.execute(
            "SELECT burner, fuel, phase, firing_rate, document FROM point WHERE visit_id = ?",
            (visit_id,),
        ).fetchall()
        return JSONResponse(
            {
                "visit": json.loads(found[0]),
                "judgement": json.loads(found[1]),
                "points": [[*row[:4], json.loads(row[4])] for row in points],
            }
        )

    return app
