"""The person or program behind a request."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from ingest.store.accounts import SCOPES, AccessKey, Account, Role, Scope, Units


@dataclass(frozen=True, slots=True)
class Principal:
    """Who is asking, and how far they reach.

    Attributes
    ----------
    kind : str
        ``account`` for a person who signed in, ``key`` for a program, ``alone`` for whoever sits
        at a machine that serves only itself.
    name : str
        As it stands in the trail: the account's name or the key's label; empty where alone.
    sites : frozenset of UUID or None
        Sites whose boilers and visits are seen; None means all.
    owner : str
        Whose external ids are meant: a key's own, empty for the office.
    language, units : str or None
        As a person chose them for their pages, on whatever device.
    """

    kind: Literal["account", "key", "alone"]
    id: UUID | None
    name: str
    printed_name: str
    role: Role
    sites: frozenset[UUID] | None = None
    scopes: frozenset[Scope] = frozenset(SCOPES)
    owner: str = ""
    language: str | None = None
    units: Units | None = None

    def may_as_much_as(self, before: Principal) -> bool:
        """Return whether it is the same person or program, and nothing was taken from it since."""
        fewer = self.sites is not None and (before.sites is None or not before.sites <= self.sites)
        return (self.kind, self.id, self.role) == (before.kind, before.id, before.role) and not (
            fewer or before.scopes - self.scopes
        )

    def signs_as(self, stated: str | None) -> str:
        """Return the name for the trail.

        A person signs with their own name whatever is stated. A program names the person it acts
        for, and stands beside: nothing it states can pass for an account's name.

        >>> Principal("key", None, "tablets", "tablets", "integrator").signs_as("J. Harrow")
        'J. Harrow (tablets)'
        """
        said = (stated or "").strip()
        if self.kind == "account":
            return self.name
        if self.kind == "key":
            return f"{said} ({self.name})" if said else f"({self.name})"
        return said


ALONE = Principal("alone", None, "", "", "administrator")
"""Whoever sits at a machine that serves nobody else."""


def of_account(account: Account) -> Principal:
    """Return the person of an account."""
    sites = None if account.sites is None else frozenset(account.sites)
    return Principal(
        "account",
        account.id,
        account.name,
        account.printed_name,
        account.role,
        sites,
        language=account.language,
        units=account.units,
    )


def of_key(key: AccessKey) -> Principal:
    """Return the program of a key."""
    sites = None if key.sites is None else frozenset(key.sites)
    return Principal(
        "key",
        key.id,
        key.label,
        key.label,
        key.role,
        sites,
        frozenset(key.scopes),
        key.owner,
    )
