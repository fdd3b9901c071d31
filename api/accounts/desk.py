"""The front desk: accounts and keys are made here, and whoever comes is recognised."""

from __future__ import annotations

import re
import sqlite3
import unicodedata
from collections.abc import Sequence
from datetime import timedelta
from uuid import UUID

from api.accounts import tokens
from api.accounts.principal import Principal, of_account, of_key
from ingest.identifiers import new_id
from ingest.store import Book, StateConflict
from ingest.store import accounts as rows
from ingest.store.accounts import SCOPES, AccessKey, Account, Role, Scope, Units
from ingest.store.book import stamp

LINK_LIVES = timedelta(hours=24)
SESSION_LIVES = timedelta(days=14)
_SEEN_EVERY = timedelta(minutes=5)
_USED_EVERY = timedelta(minutes=1)
NAME_MOST = 60
FIRST_START = "first start"


class NotLetIn(Exception):
    """A name, password, link or secret that opens nothing; says no more than that."""


class Unfit(ValueError):
    """An entry of an account or key that cannot be; ``field`` names it."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field


class Desk:
    """Accounts, sessions and keys of one book."""

    def __init__(self, book: Book) -> None:
        self.book = book

    def _now(self) -> str:
        return stamp(self.book.clock())

    # Accounts

    def accounts(self) -> list[Account]:
        """Return all accounts by name."""
        return rows.accounts(self.book.reader)

    def account(self, account_id: UUID) -> Account:
        """Return one account."""
        return rows.account(self.book.reader, account_id)

    def add_account(
        self,
        name: str,
        role: Role,
        who: str,
        *,
        printed_name: str = "",
        email: str | None = None,
        sites: Sequence[UUID] | None = None,
    ) -> tuple[Account, str]:
        """Make an account; return it with the one-time link's token that sets its password."""
        name = account_name(name)
        identity = new_id()
        with self.book.change(who) as change:
            rows.add_account(
                change,
                identity,
                name,
                printed_name.strip() or name,
                email,
                role,
                None if sites is None else tuple(sites),
            )
            change.record(
                "account_made",
                f"account:{identity}",
                {
                    "name": name,
                    "printed_name": printed_name.strip() or name,
                    "role": role,
                    "sites": _told(sites),
                },
            )
            token = self.link_for(identity, who)
        return self.account(identity), token

    def change_account(
        self,
        account_id: UUID,
        who: str,
        *,
        role: Role,
        printed_name: str,
        email: str | None = None,
        sites: Sequence[UUID] | None = None,
        closed: bool = False,
        expected_version: int | None = None,
    ) -> Account:
        """Write what may change of an account; closing it ends its sessions at once."""
        with self.book.change(who) as change:
            there = rows.account(change.sql, account_id)
            rows.change_account(
                change,
                account_id,
                printed_name=printed_name.strip() or there.name,
                email=email,
                role=role,
                sites=None if sites is None else tuple(sites),
                closed=closed,
                expected_version=expected_version,
            )
            change.record(
                "account_changed",
                f"account:{account_id}",
                {
                    "printed_name": printed_name.strip() or there.name,
                    "role": role,
                    "closed": closed,
                    "sites": _told(sites),
                },
            )
        return self.account(account_id)

    # One-time links

    def first_start(self) -> str | None:
        """Return a one-time link's token that makes the administrator, while there is nobody."""
        if rows.any_account(self.book.reader):
            return None
        return self.link_for(None, FIRST_START)

    def link_for(self, account_id: UUID | None, who: str) -> str:
        """Return a new one-time link's token; the account's older ones open nothing from now on."""
        token = tokens.new_token()
        with self.book.change(who) as change:
            ends = stamp(self.book.clock() + LINK_LIVES)
            rows.add_link(change, tokens.token_hash(token), account_id, ends)
            change.record("link_made", f"account:{account_id or 'first'}", {})
        return token

    def behind_link(self, token: str) -> Account | None:
        """Return whose password a link sets; None stands for the first administrator.

        Raises
        ------
        NotLetIn
            If the link is spent, too old or unknown.
        """
        found = rows.link(self.book.reader, tokens.token_hash(token), self._now())
        if found is None or (found[0] is None and rows.any_account(self.book.reader)):
            raise NotLetIn
        return None if found[0] is None else self.account(found[0])

    def use_link(self, token: str, password: str, name: str = "") -> Account:
        """Spend a link: set the password of its account, or make the first administrator.

        Raises
        ------
        NotLetIn
            If the link opens nothing.
        Unfit
            If the password or the name cannot be.
        """
        hashed_token = tokens.token_hash(token)
        there = self.behind_link(token)
        name = account_name(name) if there is None else there.name
        trouble = tokens.password_trouble(password, name)
        if trouble is not None:
            raise Unfit("password", trouble)
        hashed = tokens.password_hash(password)  # slow on purpose: done before the book is held
        with self.book.change(name) as change:
            if rows.link(change.sql, hashed_token, change.at) is None:
                raise NotLetIn
            if there is None:
                if rows.any_account(change.sql):
                    raise NotLetIn
                identity = new_id()
                rows.add_account(change, identity, name, name, None, "administrator", None)
                change.record(
                    "account_made",
                    f"account:{identity}",
                    {"name": name, "printed_name": name, "role": "administrator", "sites": None},
                )
            else:
                identity = there.id
            rows.set_password(change, identity, hashed)
            rows.use_link(change, hashed_token)
            change.record("password_set", f"account:{identity}", {})
        return self.account(identity)

    # Sessions

    def sign_in(self, name: str, password: str) -> tuple[Account, str]:
        """Return the account and the token of a new session.

        Raises
        ------
        NotLetIn
            If there is no such account or the password is another; both take the same time.
        """
        found = rows.by_name(self.book.reader, name.strip())
        fits = tokens.password_fits(None if found is None else found[1], password)
        if found is None or not fits or found[0].closed_at is not None:
            raise NotLetIn
        account, hashed = found
        if hashed is not None and tokens.wants_new_hash(hashed):
            with self.book.change(account.name) as change:
                rows.renew_hash(change, account.id, tokens.password_hash(password))
        return account, self.begin_session(account)

    def begin_session(self, account: Account) -> str:
        """Return the token of a new session of an account."""
        token = tokens.new_token()
        with self.book.change(account.name) as change:
            ends = stamp(self.book.clock() + SESSION_LIVES)
            rows.add_session(change, account.id, tokens.token_hash(token), ends)
            change.record("signed_in", f"account:{account.id}", {})
        return token

    def end_session(self, token: str, who: str) -> None:
        """End a session."""
        with self.book.change(who) as change:
            rows.end_session(change, tokens.token_hash(token))

    # Keys

    def all_keys(self) -> list[AccessKey]:
        """Return all keys, newest first."""
        return rows.keys(self.book.reader)

    def add_key(
        self,
        label: str,
        who: str,
        *,
        role: Role = "integrator",
        scopes: Sequence[Scope] = SCOPES,
        sites: Sequence[UUID] | None = None,
        owner: str | None = None,
        ends_at: str | None = None,
    ) -> tuple[AccessKey, str]:
        """Make a key; return it with its secret, which is not kept and never shown again."""
        label = account_name(label, "label")
        if not scopes or not set(scopes) <= set(SCOPES):
            raise Unfit("scopes", f"A key has at least one of: {', '.join(SCOPES)}.")
        secret = tokens.KEY_START + tokens.new_token()
        with self.book.change(who) as change:
            if any(
                k.label.casefold() == label.casefold() and k.revoked_at is None
                for k in rows.keys(change.sql)
            ):
                raise StateConflict(f"a key named {label!r} is in use; revoke it first")
            key = AccessKey(
                id=new_id(),
                label=label,
                role=role,
                scopes=tuple(s for s in SCOPES if s in scopes),
                sites=None if sites is None else tuple(sites),
                owner=label.casefold() if owner is None else owner,
                made_at=change.at,
                made_by=who,
                ends_at=ends_at,
                last_used_at=None,
                revoked_at=None,
                revoked_by=None,
            )
            rows.add_key(change, key, tokens.token_hash(secret))
            change.record(
                "key_made",
                f"key:{key.id}",
                {
                    "label": label,
                    "role": role,
                    "scopes": list(key.scopes),
                    "sites": _told(sites),
                    "owner": key.owner,
                    "ends_at": ends_at,
                },
            )
        return key, secret

    def revoke_key(self, key_id: UUID, who: str) -> None:
        """Revoke a key; its next request is refused."""
        with self.book.change(who) as change:
            rows.revoke_key(change, key_id)
            change.record("key_revoked", f"key:{key_id}", {})

    # What a person chose for their pages

    def choose(self, person: Principal, *, language: str | None, units: Units | None) -> None:
        """Keep a person's language and units in their account; None leaves what is there."""
        same = language in (None, person.language) and units in (None, person.units)
        if person.kind != "account" or person.id is None or same:
            return
        with self.book.change(person.name) as change:
            rows.choose(change, person.id, language, units)

    # Recognising

    def by_session(self, token: str) -> Principal | None:
        """Return the person of a running session."""
        found = rows.session(self.book.reader, tokens.token_hash(token), self._now())
        if found is None:
            return None
        account, seen_at = found
        if seen_at < stamp(self.book.clock() - _SEEN_EVERY):
            with self.book.change(account.name) as change:
                rows.see_session(change, tokens.token_hash(token))
        return of_account(account)

    def by_secret(self, secret: str) -> Principal | None:
        """Return the program of a key that is neither revoked nor past its end."""
        key = rows.key_of(self.book.reader, tokens.token_hash(secret), self._now())
        if key is None:
            return None
        if (key.last_used_at or "") < stamp(self.book.clock() - _USED_EVERY):
            with self.book.change(key.label) as change:
                rows.use_key(change, key.id)
        return of_key(key)

    def is_own(
        self, principal: Principal, visit_id: str, sql: sqlite3.Connection | None = None
    ) -> bool:
        """Return whether someone opened a visit or is its technician; what is new is everyone's."""
        try:
            # Any spelling that the address takes is the same visit.
            found = rows.opened_by(sql or self.book.reader, UUID(visit_id))
        except ValueError:
            return True  # no visit's id at all: the application says so
        if found is None:
            return True
        opened, technician = found
        names = {principal.name.casefold(), principal.printed_name.casefold()}
        # A key signs with the person it acts for before its own label in brackets.
        as_key = principal.kind == "key" and (opened or "").endswith(f"({principal.name})")
        return as_key or opened == principal.name or (technician or "").casefold() in names


def account_name(text: str, field: str = "name") -> str:
    """Return a name as it is kept; no brackets, so that no name can pass for another's addition.

    Raises
    ------
    Unfit
        If it is empty, too long, or holds what a name does not.
    """
    name = " ".join(unicodedata.normalize("NFC", text).split())
    if not name:
        raise Unfit(field, "A name is missing.")
    if len(name) > NAME_MOST:
        raise Unfit(field, f"A name has at most {NAME_MOST} characters.")
    if re.search(r"[()<>\"\\\x00-\x1f\x7f]", name):
        raise Unfit(field, "A name has no brackets, quotes or control characters.")
    return name


def _told(sites: Sequence[UUID] | None) -> list[str] | None:
    """Return sites as a line of the trail names them."""
    return None if sites is None else sorted(str(s) for s in sites)
