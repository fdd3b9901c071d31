"""Accounts, sessions, keys and one-time links: rows in, rows out. No secret is kept as it is."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import Any, Literal, get_args
from uuid import UUID

from ingest.store.book import Change
from ingest.store.errors import NotFound, StateConflict, VersionConflict

Role = Literal["technician", "integrator", "reviewer", "administrator"]
ROLES: tuple[Role, ...] = get_args(Role)
Scope = Literal["read", "write"]
SCOPES: tuple[Scope, ...] = get_args(Scope)
Units = Literal["us", "si"]
UNITS: tuple[Units, ...] = get_args(Units)


@dataclass(frozen=True, slots=True)
class Account:
    """A person who signs in.

    Attributes
    ----------
    name : str
        Signs in and stands in the trail; unique whatever its case, never changed.
    printed_name : str
        As it is written under a report.
    sites : tuple of UUID or None
        Sites whose boilers and visits are seen; None means all.
    has_password : bool
        False until the one-time link was used.
    language, units : str or None
        As the person chose them on a page; None where they never did.
    """

    id: UUID
    name: str
    printed_name: str
    email: str | None
    role: Role
    sites: tuple[UUID, ...] | None
    has_password: bool
    made_at: str
    made_by: str
    closed_at: str | None
    version: int
    language: str | None = None
    units: Units | None = None


@dataclass(frozen=True, slots=True)
class AccessKey:
    """A program's key; the secret itself is shown once and not kept."""

    id: UUID
    label: str
    role: Role
    scopes: tuple[Scope, ...]
    sites: tuple[UUID, ...] | None
    owner: str
    made_at: str
    made_by: str
    ends_at: str | None
    last_used_at: str | None
    revoked_at: str | None
    revoked_by: str | None


_ACCOUNT = (
    "id, name, printed_name, email, role, sites, password_hash IS NOT NULL, made_at, made_by, "
    "closed_at, version, language, units"
)
_KEY = (
    "id, label, role, scopes, sites, owner, made_at, made_by, ends_at, last_used_at, revoked_at, "
    "revoked_by"
)


def _sites(text: str | None) -> tuple[UUID, ...] | None:
    return None if text is None else tuple(UUID(s) for s in json.loads(text))


def _sites_text(sites: tuple[UUID, ...] | None) -> str | None:
    return None if sites is None else json.dumps(sorted(str(s) for s in sites))


def _account(r: Any) -> Account:
    return Account(UUID(r[0]), r[1], r[2], r[3], r[4], _sites(r[5]), bool(r[6]), *r[7:13])


def _key(r: Any) -> AccessKey:
    scopes = tuple(json.loads(r[3]))
    return AccessKey(UUID(r[0]), r[1], r[2], scopes, _sites(r[4]), *r[5:12])


def accounts(sql: sqlite3.Connection) -> list[Account]:
    """Return all accounts by name, closed ones too."""
    return [_account(r) for r in sql.execute(f"SELECT {_ACCOUNT} FROM account ORDER BY name")]


def account(sql: sqlite3.Connection, account_id: UUID) -> Account:
    """Return one account."""
    row = sql.execute(
        f"SELECT {_ACCOUNT} FROM account WHERE id = :id", {"id": str(account_id)}
    ).fetchone()
    if row is None:
        raise NotFound("account", account_id)
    return _account(row)


def by_name(sql: sqlite3.Connection, name: str) -> tuple[Account, str | None] | None:
    """Return the account that signs in under a name, with its password's hash."""
    row = sql.execute(
        f"SELECT {_ACCOUNT}, password_hash FROM account WHERE sign_in_name = :name",
        {"name": name.casefold()},
    ).fetchone()
    return None if row is None else (_account(row), row[-1])


def any_account(sql: sqlite3.Connection) -> bool:
    """Return whether a person can sign in to this book."""
    found = sql.execute("SELECT 1 FROM account WHERE password_hash IS NOT NULL LIMIT 1").fetchone()
    return found is not None


def add_account(
    change: Change,
    identity: UUID,
    name: str,
    printed_name: str,
    email: str | None,
    role: Role,
    sites: tuple[UUID, ...] | None,
) -> None:
    """Write a new account, still without a password."""
    if by_name(change.sql, name) is not None:
        raise StateConflict(f"the name {name!r} is taken")
    change.sql.execute(
        "INSERT INTO account (id, name, sign_in_name, printed_name, email, role, sites, made_at, "
        "made_by) VALUES (:id, :name, :sign_in_name, :printed_name, :email, :role, :sites, :at, "
        ":who)",
        {
            "id": str(identity),
            "name": name,
            "sign_in_name": name.casefold(),
            "printed_name": printed_name,
            "email": email,
            "role": role,
            "sites": _sites_text(sites),
            "at": change.at,
            "who": change.who,
        },
    )


def change_account(
    change: Change,
    identity: UUID,
    *,
    printed_name: str,
    email: str | None,
    role: Role,
    sites: tuple[UUID, ...] | None,
    closed: bool,
    expected_version: int | None,
) -> int:
    """Write what may change of an account; return its version. Closing it ends its sessions."""
    there = account(change.sql, identity)
    if expected_version is not None and expected_version != there.version:
        raise VersionConflict("account", identity, expected_version, there.version)
    losing = there.role == "administrator" and (closed or role != "administrator")
    if losing and there.closed_at is None and _administrators(change.sql) < 2:
        raise StateConflict("the last administrator stays: make another one first")
    change.sql.execute(
        "UPDATE account SET printed_name = :printed_name, email = :email, role = :role, "
        "sites = :sites, version = version + 1, "
        "closed_at = CASE WHEN :closed = 0 THEN NULL ELSE COALESCE(closed_at, :at) END "
        "WHERE id = :id",
        {
            "id": str(identity),
            "printed_name": printed_name,
            "email": email,
            "role": role,
            "sites": _sites_text(sites),
            "closed": int(closed),
            "at": change.at,
        },
    )
    if closed:
        end_sessions(change, identity)
    return there.version + 1


def choose(change: Change, identity: UUID, language: str | None, units: Units | None) -> None:
    """Write what a person chose for their pages; None leaves it. The version stays."""
    change.sql.execute(
        "UPDATE account SET language = COALESCE(:language, language), "
        "units = COALESCE(:units, units) WHERE id = :id",
        {"language": language, "units": units, "id": str(identity)},
    )


def _administrators(sql: sqlite3.Connection) -> int:
    row = sql.execute(
        "SELECT COUNT(*) FROM account WHERE role = 'administrator' AND closed_at IS NULL "
        "AND password_hash IS NOT NULL"
    ).fetchone()
    return int(row[0])


def set_password(change: Change, identity: UUID, password_hash: str) -> None:
    """Write the hash of a new password and end every session of the account."""
    change.sql.execute(
        "UPDATE account SET password_hash = :hash, version = version + 1 WHERE id = :id",
        {"hash": password_hash, "id": str(identity)},
    )
    end_sessions(change, identity)


def renew_hash(change: Change, identity: UUID, password_hash: str) -> None:
    """Write the same password under today's cost of hashing."""
    change.sql.execute(
        "UPDATE account SET password_hash = :hash WHERE id = :id",
        {"hash": password_hash, "id": str(identity)},
    )


# Sessions


def add_session(change: Change, account_id: UUID, token_hash: str, ends_at: str) -> None:
    """Write a session; sessions that have ended are dropped on the way."""
    change.sql.execute("DELETE FROM account_session WHERE ends_at < :at", {"at": change.at})
    change.sql.execute(
        "INSERT INTO account_session (token_hash, account_id, made_at, seen_at, ends_at) "
        "VALUES (:hash, :account, :at, :at, :ends)",
        {"hash": token_hash, "account": str(account_id), "at": change.at, "ends": ends_at},
    )


def session(sql: sqlite3.Connection, token_hash: str, now: str) -> tuple[Account, str] | None:
    """Return the account of a running session and when it was last seen."""
    row = sql.execute(
        f"SELECT {', '.join('a.' + c.strip() for c in _ACCOUNT.split(','))}, s.seen_at "
        "FROM account_session s JOIN account a ON a.id = s.account_id "
        "WHERE s.token_hash = :hash AND s.ends_at > :now AND a.closed_at IS NULL",
        {"hash": token_hash, "now": now},
    ).fetchone()
    return None if row is None else (_account(row), row[-1])


def see_session(change: Change, token_hash: str) -> None:
    """Write when a session was last used."""
    change.sql.execute(
        "UPDATE account_session SET seen_at = :at WHERE token_hash = :hash",
        {"at": change.at, "hash": token_hash},
    )


def end_session(change: Change, token_hash: str) -> None:
    """End one session."""
    change.sql.execute("DELETE FROM account_session WHERE token_hash = :hash", {"hash": token_hash})


def end_sessions(change: Change, account_id: UUID) -> None:
    """End every session of an account."""
    change.sql.execute(
        "DELETE FROM account_session WHERE account_id = :id", {"id": str(account_id)}
    )


# Keys


def keys(sql: sqlite3.Connection) -> list[AccessKey]:
    """Return all keys, newest first, revoked ones too."""
    return [_key(r) for r in sql.execute(f"SELECT {_KEY} FROM access_key ORDER BY made_at DESC")]


def key_of(sql: sqlite3.Connection, secret_hash: str, now: str) -> AccessKey | None:
    """Return the key that a secret opens, if it is neither revoked nor past its end."""
    row = sql.execute(
        f"SELECT {_KEY} FROM access_key WHERE secret_hash = :hash AND revoked_at IS NULL "
        "AND (ends_at IS NULL OR ends_at > :now)",
        {"hash": secret_hash, "now": now},
    ).fetchone()
    return None if row is None else _key(row)


def add_key(change: Change, key: AccessKey, secret_hash: str) -> None:
    """Write a new key under the hash of its secret."""
    change.sql.execute(
        "INSERT INTO access_key (id, label, secret_hash, role, scopes, sites, owner, made_at, "
        "made_by, ends_at) VALUES (:id, :label, :hash, :role, :scopes, :sites, :owner, :at, :who, "
        ":ends)",
        {
            "id": str(key.id),
            "label": key.label,
            "hash": secret_hash,
            "role": key.role,
            "scopes": json.dumps(list(key.scopes)),
            "sites": _sites_text(key.sites),
            "owner": key.owner,
            "at": change.at,
            "who": change.who,
            "ends": key.ends_at,
        },
    )


def revoke_key(change: Change, key_id: UUID) -> None:
    """Revoke a key; it opens nothing from then on."""
    done = change.sql.execute(
        "UPDATE access_key SET revoked_at = COALESCE(revoked_at, :at), "
        "revoked_by = COALESCE(revoked_by, :who) WHERE id = :id",
        {"at": change.at, "who": change.who, "id": str(key_id)},
    )
    if done.rowcount == 0:
        raise NotFound("key", key_id)


def use_key(change: Change, key_id: UUID) -> None:
    """Write when a key was last used."""
    change.sql.execute(
        "UPDATE access_key SET last_used_at = :at WHERE id = :id",
        {"at": change.at, "id": str(key_id)},
    )


# One-time links


def add_link(change: Change, token_hash: str, account_id: UUID | None, ends_at: str) -> None:
    """Write a one-time link: to an account, or to make the first administrator."""
    change.sql.execute(
        "UPDATE one_time_link SET ends_at = :at WHERE account_id IS :account AND used_at IS NULL",
        {"at": change.at, "account": None if account_id is None else str(account_id)},
    )
    change.sql.execute(
        "INSERT INTO one_time_link (token_hash, account_id, made_at, made_by, ends_at) "
        "VALUES (:hash, :account, :at, :who, :ends)",
        {
            "hash": token_hash,
            "account": None if account_id is None else str(account_id),
            "at": change.at,
            "who": change.who,
            "ends": ends_at,
        },
    )


def link(sql: sqlite3.Connection, token_hash: str, now: str) -> tuple[UUID | None] | None:
    """Return whom an unused link is for, in a tuple; None where it opens nothing."""
    row = sql.execute(
        "SELECT account_id FROM one_time_link WHERE token_hash = :hash AND used_at IS NULL "
        "AND ends_at > :now",
        {"hash": token_hash, "now": now},
    ).fetchone()
    return None if row is None else (None if row[0] is None else UUID(row[0]),)


def use_link(change: Change, token_hash: str) -> None:
    """Spend a link."""
    change.sql.execute(
        "UPDATE one_time_link SET used_at = :at WHERE token_hash = :hash",
        {"at": change.at, "hash": token_hash},
    )


def opened_by(sql: sqlite3.Connection, visit_id: UUID) -> tuple[str | None, str | None] | None:
    """Return who opened a visit, by the trail, and its technician; None where it is not there."""
    visit = sql.execute(
        "SELECT id, technician FROM visit WHERE id = :id", {"id": str(visit_id)}
    ).fetchone()
    if visit is None:
        return None
    row = sql.execute(
        "SELECT who FROM audit WHERE subject = :subject AND action = 'visit_opened' "
        "ORDER BY seq LIMIT 1",
        {"subject": f"visit:{visit[0]}"},
    ).fetchone()
    return (None if row is None else row[0]), visit[1]
