"""Signing secrets in the book: of no use to whoever has the file, whole for whoever has the key."""

from __future__ import annotations

import base64
import sqlite3
from datetime import timedelta
from pathlib import Path
from uuid import UUID

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

from ingest.intake import Intake
from ingest.store import Book, BookError, SecretsLocked
from ingest.store.safekeeping import keys_named
from ingest.store.sealing import VARIABLE, key_file, keys_of, name_of, new_key
from ingest.store.webhooks import Subscription
from tests.ingest.books import open_book

WHO = "A. Merrow"
ASKED = Subscription("https://receiver.example/h", "erp", ("visit.accepted",))


@pytest.fixture(autouse=True)
def no_key_of_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)


def _everything(folder: Path) -> bytes:
    """Return the bytes of the book and of what SQLite keeps beside it, not of the key."""
    return b"".join(p.read_bytes() for p in folder.iterdir() if not p.name.endswith(".key"))


def _hooked(book: Book) -> tuple[UUID, str]:
    made, secret = Intake(book).add_webhook(ASKED, WHO)
    return made.id, secret


def test_the_file_does_not_hold_the_secret_and_the_courier_gets_it(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        identity, secret = _hooked(book)
        assert Intake(book).signing_secrets(identity) == (secret,)
        inside = _everything(tmp_path)
    assert secret.encode() not in inside
    assert base64.b64decode(secret.removeprefix("whsec_")) not in inside
    assert key_file(tmp_path / "book.db").stat().st_mode & 0o777 == 0o600


def test_what_is_kept_is_aes_gcm_by_the_standard(tmp_path: Path) -> None:
    # NIST SP 800-38D: 96-bit nonce, 128-bit tag (memory); taken apart by the library's lower floor.
    with open_book(tmp_path) as book:
        identity, secret = _hooked(book)
        (kept,) = book.reader.execute("SELECT secret FROM webhook").fetchone()
    (key,) = keys_of(key_file(tmp_path / "book.db").read_text())
    start, name, text = kept.split(":")
    assert (start, name) == ("sealed1", name_of(key))
    hidden = base64.b64decode(text)
    nonce, body, tag = hidden[:12], hidden[12:-16], hidden[-16:]
    undo = Cipher(algorithms.AES(key), modes.GCM(nonce, tag)).decryptor()
    undo.authenticate_additional_data(str(identity).encode())
    assert undo.update(body) + undo.finalize() == secret.encode()


def test_a_secret_put_into_another_row_or_changed_opens_nothing(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        (first, _), (second, _) = _hooked(book), _hooked(book)
        with book.change(WHO) as change:
            change.sql.execute(
                "UPDATE webhook SET secret = (SELECT secret FROM webhook WHERE id = ?) "
                "WHERE id = ?",
                (str(first), str(second)),
            )
        with pytest.raises(SecretsLocked, match="was changed in the book"):
            Intake(book).signing_secrets(second)


def test_without_the_key_the_message_says_which_and_where(tmp_path: Path) -> None:
    file = key_file(tmp_path / "book.db")
    with open_book(tmp_path) as book:
        identity, secret = _hooked(book)
        kept = file.read_text()
        name = name_of(keys_of(kept)[0])
        file.unlink()
        with pytest.raises(SecretsLocked, match=f"key {name}.*{VARIABLE}.*book.db.key"):
            Intake(book).signing_secrets(identity)
        with pytest.raises(SecretsLocked, match="rekey --lost"):
            _hooked(book)  # no new key beside the lost one
        assert not file.exists()
        assert name in Intake(book).secrets_trouble()
        file.write_text(kept)
        file.chmod(0o644)
        with pytest.raises(SecretsLocked, match="read by others"):
            Intake(book).signing_secrets(identity)
        file.chmod(0o600)
        assert Intake(book).signing_secrets(identity) == (secret,)
        assert Intake(book).secrets_trouble() == ""


def test_a_new_key_in_the_file_keeps_all_secrets_and_forgets_the_old_key(tmp_path: Path) -> None:
    file = key_file(tmp_path / "book.db")
    with open_book(tmp_path) as book:
        identity, old = _hooked(book)
        _, new = Intake(book).rotate_webhook(identity, WHO, both_for=timedelta(hours=24))
        before = keys_of(file.read_text())
        assert book.rekey(WHO) == []
        after = keys_of(file.read_text())
        assert len(after) == 1 and after != before
        assert Intake(book).signing_secrets(identity) == (new, old)
        assert keys_named(book.path) == [name_of(after[0])]
        assert book.verify() == []


def test_the_environments_first_key_seals_and_the_others_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = new_key(), new_key()
    monkeypatch.setenv(VARIABLE, old)
    with open_book(tmp_path) as book:
        identity, secret = _hooked(book)
        assert not key_file(book.path).exists()
        monkeypatch.setenv(VARIABLE, f"{new},{old}")
        assert Intake(book).signing_secrets(identity) == (secret,)
        assert book.rekey(WHO) == []
        monkeypatch.setenv(VARIABLE, new)
        assert Intake(book).signing_secrets(identity) == (secret,)
        monkeypatch.setenv(VARIABLE, old)
        with pytest.raises(SecretsLocked):
            Intake(book).signing_secrets(identity)


def test_a_lost_key_is_given_up_only_by_word_and_rotating_heals(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        identity, _ = _hooked(book)
        key_file(book.path).unlink()
        with pytest.raises(BookError, match="not at hand"):
            book.rekey(WHO)
        assert book.rekey(WHO, lost=True) == [str(identity)]
        _, secret = Intake(book).rotate_webhook(identity, WHO, both_for=timedelta(hours=24))
        assert Intake(book).signing_secrets(identity) == (secret,)


def test_secrets_of_an_older_program_are_sealed_and_overwritten(tmp_path: Path) -> None:
    with open_book(tmp_path) as book:
        identity, _ = _hooked(book)
        key_file(book.path).unlink()
    plain = "whsec_" + base64.b64encode(bytes(range(32))).decode()
    other = sqlite3.connect(tmp_path / "book.db")
    other.execute("UPDATE webhook SET secret = ?, old_secret = ?", (plain, plain))
    other.commit()
    other.close()
    assert plain.encode() in _everything(tmp_path)
    with open_book(tmp_path) as book:
        assert Intake(book).signing_secrets(identity) == (plain,)
        assert book.verify() == []
        assert plain.encode() not in _everything(tmp_path)
    assert plain.encode() not in _everything(tmp_path)


@pytest.mark.parametrize("text", ["hunter2", "AAAA", "c2hvcnQ=", "***"])
def test_a_key_that_cannot_be_is_refused_without_being_repeated(text: str) -> None:
    with pytest.raises(ValueError, match="32 random bytes") as error:
        keys_of(text)
    assert text not in str(error.value)
