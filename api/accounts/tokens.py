"""Secrets: tokens that are made here and kept as hashes, passwords by argon2."""

from __future__ import annotations

import hashlib
import secrets
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

KEY_START = "flk_"
"""Every key of a program begins so, that it can be found where it does not belong."""
PASSWORD_LEAST = 12
PASSWORD_MOST = 200


def new_token() -> str:
    """Return 256 random bits as text that can stand in an address."""
    return secrets.token_urlsafe(32)


def token_hash(token: str) -> str:
    """Return what is kept of a token: with 256 random bits one plain hash is enough."""
    return hashlib.sha256(token.encode()).hexdigest()


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher()  # the library's defaults follow RFC 9106


@cache
def _nobody() -> str:
    return _hasher().hash(new_token())


def password_hash(password: str) -> str:
    """Return the argon2id hash of a password, with its salt and costs."""
    return _hasher().hash(password)


def password_fits(hashed: str | None, password: str) -> bool:
    """Return whether a password is the one; takes as long where there is no such account."""
    try:
        _hasher().verify(hashed or _nobody(), password[: PASSWORD_MOST + 1])
    except (VerifyMismatchError, InvalidHashError):
        return False
    return hashed is not None


def wants_new_hash(hashed: str) -> bool:
    """Return whether a hash was made under lower costs than today's."""
    return _hasher().check_needs_rehash(hashed)


def password_trouble(password: str, name: str) -> str | None:
    """Return what is wrong with a new password, or None.

    >>> password_trouble("short", "J. Harrow")
    'A password has at least 12 characters.'
    """
    if len(password) < PASSWORD_LEAST:
        return f"A password has at least {PASSWORD_LEAST} characters."
    if len(password) > PASSWORD_MOST:
        return f"A password has at most {PASSWORD_MOST} characters."
    if len(set(password)) < 5:
        return "A password of the same few characters is guessed at once."
    if len(name) > 3 and name.casefold() in password.casefold():
        return "A password does not hold the name."
    return None
