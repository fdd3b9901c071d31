"""Settings of a running fluebook: each with a default, each settable by environment."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, cast

UnitSystem = Literal["us", "si"]

MEGABYTE = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Settings:
    """What the office decides about its own fluebook.

    Attributes
    ----------
    units : UnitSystem
        Units of the pages: US customary or SI. ``FLUEBOOK_UNITS``.
    max_upload : int
        Bytes of one uploaded file; more is refused with 413. ``FLUEBOOK_MAX_UPLOAD_MB``.
    page_size : int
        Visits on one page of the review list. ``FLUEBOOK_PAGE_SIZE``.
    open_first_percent : int
        Share of the visits accepted together that must be opened first.
        ``FLUEBOOK_OPEN_FIRST_PERCENT``.
    company : str
        Name shown at the head of the pages. ``FLUEBOOK_COMPANY``.
    hosts : tuple of str
        Names under which this fluebook answers, any where empty. ``FLUEBOOK_HOSTS``, with commas.
    language : str
        Language of the pages for a browser that asks for none they have. ``FLUEBOOK_LANGUAGE``.
    alone : bool
        Nobody signs in: for a machine that serves only whoever sits at it. Set by
        ``serve --alone``, never by environment.
    requests_a_minute : int
        Of one account, key or address; 0 for no limit. ``FLUEBOOK_REQUESTS_A_MINUTE``.
    secure_cookies : bool
        The session's cookie goes over HTTPS only, also where a proxy in front of this program
        ends the HTTPS. ``FLUEBOOK_SECURE_COOKIES``, yes or no.
    log_level : str
        ``info`` writes a line for each request, ``warning`` only what is wrong.
        ``FLUEBOOK_LOG_LEVEL``.
    proxies : str
        Addresses, with commas, of proxies whose ``X-Forwarded-*`` are believed.
        ``FLUEBOOK_PROXIES``.
    address : str
        Where people open this fluebook, for links in mail: ``https://book.example``.
        ``FLUEBOOK_ADDRESS``.
    deliver : bool
        This program delivers webhooks and mail; no where ``fluebook deliver`` does it instead.
        ``FLUEBOOK_DELIVER``, yes or no.
    webhook_allow_private : bool
        Webhooks may go to private addresses and over plain HTTP.
        ``FLUEBOOK_WEBHOOK_ALLOW_PRIVATE``, yes or no.
    secret_key : str
        Keys that seal the webhooks' signing secrets in the book: 32 random bytes in base64; of
        several, with commas, the first seals and all open. Where empty, the file beside the book
        named like it with ``.key`` is used, made with the first webhook. Never shown or logged.
        ``FLUEBOOK_SECRET_KEY``.
    webhook_timeout_s : int
        Seconds for one try of a webhook, all of it. ``FLUEBOOK_WEBHOOK_TIMEOUT_S``.
    delivered_days : int
        Days for which what was delivered stays listed. ``FLUEBOOK_DELIVERED_DAYS``.
    smtp_host : str
        Mail server for stops; no mail where empty. ``FLUEBOOK_SMTP_HOST``.
    smtp_port : int
        Its port. ``FLUEBOOK_SMTP_PORT``.
    smtp_user : str
        Name to sign in with, none where empty. ``FLUEBOOK_SMTP_USER``.
    smtp_password : str
        Its password; never shown or logged. ``FLUEBOOK_SMTP_PASSWORD``.
    smtp_starttls : bool
        Mail goes over TLS only, begun by STARTTLS. ``FLUEBOOK_SMTP_STARTTLS``, yes or no.
    smtp_from : str
        Sender of the mail. ``FLUEBOOK_SMTP_FROM``.
    """

    units: UnitSystem = "us"
    max_upload: int = 64 * MEGABYTE
    page_size: int = 40
    open_first_percent: int = 10
    company: str = ""
    hosts: tuple[str, ...] = ()
    language: str = "en"
    alone: bool = False
    requests_a_minute: int = 3000
    secure_cookies: bool = False
    log_level: str = "info"
    proxies: str = ""
    address: str = ""
    deliver: bool = True
    webhook_allow_private: bool = False
    secret_key: str = field(default="", repr=False)
    webhook_timeout_s: int = 15
    delivered_days: int = 30
    smtp_host: str = ""
    smtp_port: int = 587
    smtp_user: str = ""
    smtp_password: str = field(default="", repr=False)
    smtp_starttls: bool = True
    smtp_from: str = ""


def settings_from_environment(environment: Mapping[str, str] = os.environ) -> Settings:
    """Return the settings that the environment asks for.

    Raises
    ------
    ValueError
        If a variable holds something that its setting cannot be.

    Examples
    --------
    >>> settings_from_environment({"FLUEBOOK_UNITS": "si"}).units
    'si'
    """
    units = environment.get("FLUEBOOK_UNITS", "us").lower()
    if units not in ("us", "si"):
        raise ValueError(f"FLUEBOOK_UNITS is {units!r}; it can be us or si")
    return Settings(
        units=cast(UnitSystem, units),
        max_upload=_whole(environment, "FLUEBOOK_MAX_UPLOAD_MB", 64) * MEGABYTE,
        page_size=_whole(environment, "FLUEBOOK_PAGE_SIZE", 40),
        open_first_percent=_percent(environment, "FLUEBOOK_OPEN_FIRST_PERCENT", 10),
        company=environment.get("FLUEBOOK_COMPANY", ""),
        hosts=tuple(
            h.strip() for h in environment.get("FLUEBOOK_HOSTS", "").split(",") if h.strip()
        ),
        language=environment.get("FLUEBOOK_LANGUAGE", "en"),
        requests_a_minute=_whole(environment, "FLUEBOOK_REQUESTS_A_MINUTE", 3000, least=0),
        secure_cookies=_yes(environment, "FLUEBOOK_SECURE_COOKIES"),
        log_level=_one_of(environment, "FLUEBOOK_LOG_LEVEL", ("info", "warning", "error")),
        proxies=environment.get("FLUEBOOK_PROXIES", ""),
        address=environment.get("FLUEBOOK_ADDRESS", "").rstrip("/"),
        deliver=_yes(environment, "FLUEBOOK_DELIVER", "yes"),
        webhook_allow_private=_yes(environment, "FLUEBOOK_WEBHOOK_ALLOW_PRIVATE"),
        secret_key=_keys(environment),
        webhook_timeout_s=_whole(environment, "FLUEBOOK_WEBHOOK_TIMEOUT_S", 15),
        delivered_days=_whole(environment, "FLUEBOOK_DELIVERED_DAYS", 30),
        **_mail(environment),
    )


def _keys(environment: Mapping[str, str]) -> str:
    # Here, not above: whoever only asks for settings need not load the store.
    from ingest.store.sealing import VARIABLE, keys_of

    text = environment.get(VARIABLE, "")
    try:
        keys_of(text)
    except ValueError as error:
        raise ValueError(f"{VARIABLE}: {error}") from error
    return text


def _mail(environment: Mapping[str, str]) -> dict[str, Any]:
    host = environment.get("FLUEBOOK_SMTP_HOST", "").strip()
    sender = environment.get("FLUEBOOK_SMTP_FROM", "").strip()
    if host and not is_mail_address(sender):
        raise ValueError(f"FLUEBOOK_SMTP_FROM is {sender!r}; it must be a mail address")
    user = environment.get("FLUEBOOK_SMTP_USER", "")
    starttls = _yes(environment, "FLUEBOOK_SMTP_STARTTLS", "yes")
    if user and not starttls:
        raise ValueError(
            "FLUEBOOK_SMTP_USER needs FLUEBOOK_SMTP_STARTTLS: a password goes over TLS"
        )
    return {
        "smtp_host": host,
        "smtp_port": _whole(environment, "FLUEBOOK_SMTP_PORT", 587),
        "smtp_user": user,
        "smtp_password": environment.get("FLUEBOOK_SMTP_PASSWORD", ""),
        "smtp_starttls": starttls,
        "smtp_from": sender,
    }


def is_mail_address(text: str) -> bool:
    """Return whether a text is one plain mail address: nothing that a header could be made of.

    >>> is_mail_address("duty@heat.example"), is_mail_address("a@b.example\\nBcc: x@y.example")
    (True, False)
    """
    plain = r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*"
    return len(text) <= 254 and re.fullmatch(plain, text) is not None


def _whole(environment: Mapping[str, str], name: str, default: int, least: int = 1) -> int:
    text = environment.get(name, str(default))
    if not (text.isascii() and text.isdigit()) or int(text) < least:
        raise ValueError(f"{name} is {text!r}; it must be a whole number from {least}")
    return int(text)


def _one_of(environment: Mapping[str, str], name: str, choices: tuple[str, ...]) -> str:
    text = environment.get(name, choices[0]).strip().lower()
    if text not in choices:
        raise ValueError(f"{name} is {text!r}; it can be {', '.join(choices)}")
    return text


def _percent(environment: Mapping[str, str], name: str, default: int) -> int:
    found = _whole(environment, name, default, least=0)
    if found > 100:
        raise ValueError(f"{name} is {found}; it can be 0 to 100")
    return found


def _yes(environment: Mapping[str, str], name: str, default: str = "no") -> bool:
    text = environment.get(name, default).strip().lower()
    if text not in ("yes", "no"):
        raise ValueError(f"{name} is {text!r}; it can be yes or no")
    return text == "yes"
