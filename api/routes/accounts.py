"""Accounts of people and keys of programs, over the API; for administrators."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Depends, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.accounts import Desk
from api.accounts.desk import Unfit
from api.answers import refuses
from api.doorkeeper import principal_of
from api.problems import ErrorItem, ProblemError
from api.routes.shared import Expected, Who, tagged
from ingest.sent import Sent
from ingest.store.accounts import SCOPES, AccessKey, Account, Role, Scope
from ingest.store.book import stamp

router = APIRouter(prefix="/v1", tags=["accounts and keys"])


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


DeskOf = Annotated[Desk, Depends(_desk)]


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class NewAccount(Sent):
    """A person who is to sign in."""

    name: str = Field(min_length=1, max_length=60, examples=["J. Harrow"])
    role: Role
    printed_name: str = Field(default="", max_length=100, description="As under a report.")
    email: str | None = Field(default=None, max_length=200)
    sites: list[UUID] | None = Field(default=None, description="Sites seen; null means all.")


class ChangedAccount(Sent):
    """What may change of an account."""

    role: Role
    printed_name: str = Field(default="", max_length=100)
    email: str | None = Field(default=None, max_length=200)
    sites: list[UUID] | None = None
    closed: bool = False


class AccountAnswer(_Shape):
    """An account as kept; the password's hash is never shown."""

    id: UUID
    name: str
    printed_name: str
    email: str | None
    role: Role
    sites: list[UUID] | None
    has_password: bool
    made_at: datetime
    made_by: str
    closed_at: datetime | None
    language: str | None = Field(default=None, description="What the person reads, where chosen.")
    units: str | None = Field(default=None, description="`us` or `si`, where the person chose.")


class MadeAccount(AccountAnswer):
    """A new account, with the one-time link that sets its password."""

    link: str = Field(description="Path of the one-time link; it opens once, within a day.")


class NewKey(Sent):
    """A program that is to have a key."""

    label: str = Field(min_length=1, max_length=60, examples=["tablets of the north shop"])
    role: Role = "integrator"
    scopes: list[Scope] = Field(default_factory=lambda: list(SCOPES), min_length=1)
    sites: list[UUID] | None = Field(default=None, description="Sites reached; null means all.")
    owner: str | None = Field(
        default=None,
        max_length=60,
        description="Whose external ids it means; its own label where not given.",
    )
    ends_at: datetime | None = Field(default=None, description="With its offset; null: no end.")


class KeyAnswer(_Shape):
    """A key as kept, without its secret."""

    id: UUID
    label: str
    role: Role
    scopes: list[Scope]
    sites: list[UUID] | None
    owner: str
    made_at: datetime
    made_by: str
    ends_at: datetime | None
    last_used_at: datetime | None
    revoked_at: datetime | None
    revoked_by: str | None


class MadeKey(KeyAnswer):
    """A new key with its secret: shown this once, kept only as a hash."""

    secret: str


class AccountList(_Shape):
    """All accounts."""

    accounts: list[AccountAnswer]


class KeyList(_Shape):
    """All keys."""

    keys: list[KeyAnswer]


class Me(_Shape):
    """Who is asking."""

    kind: str
    name: str
    role: Role
    scopes: list[Scope]
    sites: list[UUID] | None


class Link(_Shape):
    """A new one-time link."""

    link: str


def unfit(error: Unfit) -> ProblemError:
    """Return what is wrong with an entry, with its place in the body."""
    item = ErrorItem(message=str(error), pointer=f"/{error.field}", next_step="Correct it.")
    return ProblemError("not-valid", str(error), [item])


def _of(kept: Account | AccessKey) -> dict[str, Any]:
    return {name: getattr(kept, name) for name in kept.__slots__ if name != "version"}


@router.get("/me", summary="Who is asking")
def me(request: Request) -> Me:
    """Return the account or key behind the request."""
    who = principal_of(request.scope)
    sites = None if who.sites is None else sorted(who.sites, key=str)
    scopes = [s for s in SCOPES if s in who.scopes]
    return Me(kind=who.kind, name=who.name, role=who.role, scopes=scopes, sites=sites)


@router.get("/accounts", summary="All accounts")
def all_accounts(desk: DeskOf) -> AccountList:
    """List the accounts by name, closed ones too."""
    return AccountList(accounts=[AccountAnswer.model_validate(_of(a)) for a in desk.accounts()])


@router.post("/accounts", summary="Make an account", status_code=201)
@refuses(409)
def make_account(body: NewAccount, desk: DeskOf, who: Who, response: Response) -> MadeAccount:
    """Make an account; its one-time link sets the password."""
    try:
        made, token = desk.add_account(
            body.name,
            body.role,
            who,
            printed_name=body.printed_name,
            email=body.email,
            sites=body.sites,
        )
    except Unfit as error:
        raise unfit(error) from error
    response.headers["Location"] = f"/v1/accounts/{made.id}"
    return MadeAccount.model_validate({**_of(made), "link": f"/first/{token}"})


@router.get("/accounts/{account_id}", summary="One account")
@refuses(404)
def one_account(account_id: UUID, desk: DeskOf, response: Response) -> AccountAnswer:
    """Return an account."""
    found = desk.account(account_id)
    tagged(response, found.version)
    return AccountAnswer.model_validate(_of(found))


@router.put("/accounts/{account_id}", summary="Change or close an account")
@refuses(404, 409, 412)
def change_account(
    account_id: UUID,
    body: ChangedAccount,
    desk: DeskOf,
    who: Who,
    expected: Expected,
    response: Response,
) -> AccountAnswer:
    """Change a role, names or sites; closing an account ends its sessions at once."""
    changed = desk.change_account(
        account_id,
        who,
        role=body.role,
        printed_name=body.printed_name,
        email=body.email,
        sites=body.sites,
        closed=body.closed,
        expected_version=expected,
    )
    tagged(response, changed.version)
    return AccountAnswer.model_validate(_of(changed))


@router.post("/accounts/{account_id}/link", summary="New one-time link", status_code=201)
@refuses(404)
def new_link(account_id: UUID, desk: DeskOf, who: Who) -> Link:
    """Make a link that sets the account's password; older ones open nothing from now on."""
    desk.account(account_id)
    return Link(link=f"/first/{desk.link_for(account_id, who)}")


@router.get("/keys", summary="All keys, without their secrets")
def all_keys(desk: DeskOf) -> KeyList:
    """List the keys, newest first, revoked ones too."""
    return KeyList(keys=[KeyAnswer.model_validate(_of(k)) for k in desk.all_keys()])


@router.post("/keys", summary="Make a key", status_code=201)
@refuses(409)
def make_key(body: NewKey, desk: DeskOf, who: Who, response: Response) -> MadeKey:
    """Make a key; the answer is the only place where its secret is ever shown."""
    if body.ends_at is not None and body.ends_at.tzinfo is None:
        raise unfit(Unfit("ends_at", "A time stands with its offset."))
    try:
        made, secret = desk.add_key(
            body.label,
            who,
            role=body.role,
            scopes=body.scopes,
            sites=body.sites,
            owner=body.owner,
            ends_at=None if body.ends_at is None else stamp(body.ends_at),
        )
    except Unfit as error:
        raise unfit(error) from error
    response.headers["Location"] = "/v1/keys"
    response.headers["Cache-Control"] = "no-store"
    return MadeKey.model_validate({**_of(made), "secret": secret})


@router.delete("/keys/{key_id}", summary="Revoke a key", status_code=204)
@refuses(404)
def revoke_key(key_id: UUID, desk: DeskOf, who: Who) -> Response:
    """Revoke a key; its next request is refused."""
    desk.revoke_key(key_id, who)
    return Response(status_code=204)
