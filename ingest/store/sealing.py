"""Signing secrets sealed with a key that is not in the book.

A secret must come back as it was, because it signs: it is encrypted, not hashed. AES-256-GCM of
NIST SP 800-38D, by the library; what a secret belongs to is authenticated with it, so that one
row's cannot be put into another. The keys stand in the environment or in a file beside the book.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import logging
import os
import secrets
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from ingest.store import audit
from ingest.store.errors import SecretsLocked

logger = logging.getLogger(__name__)
VARIABLE = "FLUEBOOK_SECRET_KEY"
KEY_BYTES = 32
_NONCE_BYTES = 12
_START = "sealed1"
_PLAIN = "whsec_"
_SEALED = "secret LIKE 'sealed1:%' OR old_secret LIKE 'sealed1:%'"
_BARE = "secret LIKE 'whsec!_%' ESCAPE '!' OR old_secret LIKE 'whsec!_%' ESCAPE '!'"


def new_key() -> str:
    """Return a new key as it is written: 32 random bytes in base64."""
    return base64.b64encode(secrets.token_bytes(KEY_BYTES)).decode("ascii")


def keys_of(text: str) -> list[bytes]:
    """Return keys written one after another with commas or on lines; the first one seals.

    Raises
    ------
    ValueError
        If one is not 32 bytes in base64; the message does not repeat it.
    """
    found = []
    for one in text.replace(",", "\n").split():
        try:
            key = base64.b64decode(one, validate=True)
        except (binascii.Error, ValueError):
            key = b""
        if len(key) != KEY_BYTES:
            raise ValueError(f"a key for secrets must be {KEY_BYTES} random bytes in base64")
        found.append(key)
    return found


def name_of(key: bytes) -> str:
    """Return what a key is called in messages: eight digits of its hash."""
    return hashlib.sha256(key).hexdigest()[:8]


def key_file(book: Path) -> Path:
    """Return where the keys of a book stand that the environment gives none for."""
    return book.with_name(book.name + ".key")


class Seal:
    """Seals and opens the secrets of one book.

    The keys are looked up each time: a key that is put in place opens what waits at once.
    """

    def __init__(self, book: Path, environment: Mapping[str, str] = os.environ) -> None:
        self.file = key_file(book)
        self._environment = environment

    @property
    def given(self) -> bool:
        """Return whether the environment gives the keys."""
        return bool(self._environment.get(VARIABLE, "").strip())

    def keys(self) -> list[bytes]:
        """Return the keys at hand, the one that seals first.

        Raises
        ------
        SecretsLocked
            If a key is misspelt, or others can read the file.
        """
        try:
            given = keys_of(self._environment.get(VARIABLE, ""))
        except ValueError as error:
            raise SecretsLocked(f"{VARIABLE}: {error}") from error
        return [*given, *self._filed()]

    def _filed(self) -> list[bytes]:
        try:
            if os.name == "posix" and self.file.stat().st_mode & 0o077:
                raise SecretsLocked(f"{self.file} can be read by others; make its mode 600")
            return keys_of(self.file.read_text("ascii"))
        except FileNotFoundError:
            return []
        except (OSError, ValueError) as error:
            raise SecretsLocked(f"{self.file} cannot be used: {error}") from error

    def made(self) -> list[bytes]:
        """Return the keys at hand, after making the file with a new one where there is none."""
        keys = self.keys()
        if not keys:
            write_keys(self.file, [base64.b64decode(new_key())], anew=True)
            keys = self.keys()
        return keys

    def sealed(self, secret: str, about: str, keys: Sequence[bytes]) -> str:
        """Return a secret sealed with the first key, for what it is about and nothing else."""
        nonce = secrets.token_bytes(_NONCE_BYTES)
        hidden = AESGCM(keys[0]).encrypt(nonce, secret.encode(), about.encode())
        text = base64.b64encode(nonce + hidden).decode("ascii")
        return f"{_START}:{name_of(keys[0])}:{text}"

    def opened(self, kept: str, about: str) -> str:
        """Return a secret as it was.

        Raises
        ------
        SecretsLocked
            If no key at hand opens it, or it was changed.
        """
        if kept.startswith(_PLAIN):
            return kept  # not sealed yet: no key could be made where the book was opened
        start, _, rest = kept.partition(":")
        name, _, text = rest.partition(":")
        key = next((k for k in self.keys() if name_of(k) == name), None)
        if start != _START or key is None:
            raise SecretsLocked(
                f"the signing secrets are sealed with the key {name}, which is neither in "
                f"{VARIABLE} nor in {self.file}; put it back, and what waits goes out"
            )
        try:
            hidden = base64.b64decode(text, validate=True)
            opened = AESGCM(key).decrypt(
                hidden[:_NONCE_BYTES], hidden[_NONCE_BYTES:], about.encode()
            )
        except (InvalidTag, ValueError) as error:
            raise SecretsLocked(
                f"the signing secret of {about} was changed in the book; rotate it"
            ) from error
        return opened.decode()


def write_keys(file: Path, keys: Sequence[bytes], *, anew: bool = False) -> None:
    """Write keys to a file that only its owner reads, whole or not at all.

    With ``anew`` a file that another program has made meanwhile is left as it is.
    """
    part = file.with_name(f".{file.name}.part-{os.getpid()}-{secrets.token_hex(4)}")
    text = "".join(base64.b64encode(k).decode("ascii") + "\n" for k in keys)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "w", encoding="ascii") as written:
            written.write(text)
            written.flush()
            os.fsync(written.fileno())
        if anew:
            try:
                os.link(part, file)
            except FileExistsError:
                return
        else:
            part.replace(file)
    finally:
        part.unlink(missing_ok=True)


def sealed_names(sql: sqlite3.Connection) -> set[str]:
    """Return the names of the keys that a book's secrets are sealed with."""
    found: set[str] = set()
    for row in sql.execute(f"SELECT secret, old_secret FROM webhook WHERE {_SEALED}"):
        found |= {t.split(":")[1] for t in row if t is not None and t.startswith(_START)}
    return found


def seal_for(sql: sqlite3.Connection, seal: Seal, secret: str, about: str) -> str:
    """Return a new secret as the book keeps it.

    Raises
    ------
    SecretsLocked
        If the book's other secrets are sealed and no key is at hand: a new one beside a lost one
        would hide the loss.
    """
    keys = seal.keys()
    if not keys:
        names = sealed_names(sql)
        if names:
            raise SecretsLocked(
                f"the key {', '.join(sorted(names))} is neither in {VARIABLE} nor in {seal.file}; "
                "put it back, or give it up with: fluebook rekey --lost"
            )
        try:
            keys = seal.made()
        except OSError as error:
            raise SecretsLocked(f"{seal.file} cannot be made: {error}") from error
    return seal.sealed(secret, about, keys)


def seal_plain(sql: sqlite3.Connection, seal: Seal, now: Callable[[], str]) -> None:
    """Seal the secrets that an older program left as they were; once, when the book is opened."""
    if sql.execute(f"SELECT 1 FROM webhook WHERE {_BARE} LIMIT 1").fetchone() is None:
        return
    try:
        seal_for(sql, seal, "", "")
    except SecretsLocked as error:
        logger.warning("signing secrets stay as they are: %s", error)
        return
    sql.execute("PRAGMA secure_delete = ON")  # what stood there is overwritten, not only freed
    sql.execute("BEGIN IMMEDIATE")
    try:
        tail = audit.Tail()
        reseal(sql, tail, seal, now(), "fluebook")
        tail.keep(sql)
    except BaseException:
        sql.execute("ROLLBACK")
        raise
    sql.execute("COMMIT")
    sql.execute("PRAGMA secure_delete = OFF")
    sql.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


def reseal(sql: sqlite3.Connection, tail: audit.Tail, seal: Seal, at: str, who: str) -> list[str]:
    """Seal every secret that opens with the first key; return the webhooks whose does not."""
    keys = seal.keys()
    shut: list[str] = []
    count = 0
    rows = sql.execute(f"SELECT id, secret, old_secret FROM webhook WHERE {_SEALED} OR {_BARE}")
    for identity, *kept in rows.fetchall():
        try:
            now = [k and seal.sealed(seal.opened(k, identity), identity, keys) for k in kept]
        except SecretsLocked:
            shut.append(str(identity))
            continue
        count += 1
        sql.execute("UPDATE webhook SET secret = ?, old_secret = ? WHERE id = ?", (*now, identity))
    audit.append(
        sql,
        tail,
        at=at,
        who=who,
        action="secrets_sealed",
        subject="company",
        details={"key": name_of(keys[0]), "webhooks": count, "not_opened": len(shut)},
    )
    return shut
