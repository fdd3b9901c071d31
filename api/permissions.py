"""Who may do what: one line for every address. What has no line here is answered as not there.

``anyone`` needs no sign-in. The roles are T technician, I integrator, R reviewer, A administrator.
A program's key needs the scope ``read`` or ``write`` beside its role; which one follows from the
method, but for lines marked ``read``: they are sent by POST and change nothing. A technician
changes only visits that they opened or that name them as technician (``own``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from ingest.store.accounts import ROLES, Role, Scope

_TABLE = """
GET    /healthz                                             anyone
GET    /readyz                                              anyone
GET    /metrics                                             A
GET    /v1/openapi.json                                     anyone
GET    /problems/{slug}                                     anyone
GET    /worker.js                                           anyone
GET    /no-signal                                           anyone
GET    /sign-in                                             anyone
POST   /sign-in                                             anyone
POST   /sign-out                                            TIRA
GET    /first/{token}                                       anyone
POST   /first/{token}                                       anyone
GET    /enter/{token}                                       anyone

GET    /v1/me                                               TIRA
GET    /v1/accounts                                         A
POST   /v1/accounts                                         A
GET    /v1/accounts/{account_id}                            A
PUT    /v1/accounts/{account_id}                            A
POST   /v1/accounts/{account_id}/link                       A
GET    /v1/keys                                             A
POST   /v1/keys                                             A
DELETE /v1/keys/{key_id}                                    A
GET    /accounts                                            A
POST   /accounts                                            A
POST   /accounts/{account_id}                               A
POST   /accounts/{account_id}/link                          A
POST   /keys                                                A
POST   /keys/{key_id}/revoke                                A

GET    /v1/sites                                            TIRA
POST   /v1/sites                                            RA
GET    /v1/sites/{site_id}                                  TIRA
PUT    /v1/sites/{site_id}                                  IRA
GET    /v1/boilers                                          TIRA
POST   /v1/boilers                                          IRA
GET    /v1/boilers/{boiler_id}                              TIRA
PUT    /v1/boilers/{boiler_id}                              IRA
GET    /v1/boilers/{boiler_id}/limits                       TIRA
PUT    /v1/boilers/{boiler_id}/limits                       RA
POST   /v1/boilers/{boiler_id}/limits/preview               RA read
GET    /v1/company-limits                                   TIRA
PUT    /v1/company-limits                                   RA
POST   /v1/company-limits/preview                           RA read
GET    /v1/sites/by-external-id/{external_id}               TIRA
PUT    /v1/sites/by-external-id/{external_id}               IRA
GET    /v1/boilers/by-external-id/{external_id}             TIRA
PUT    /v1/boilers/by-external-id/{external_id}             IRA
GET    /v1/visits                                           TIRA
GET    /v1/readings                                         TIRA
GET    /v1/firing-points                                    TIRA
GET    /v1/exports/{kind}.{form}                            TIRA
GET    /v1/waiting-readings                                 TIRA
GET    /v1/layouts                                          TIRA
GET    /v1/layouts/{name}                                   TIRA
PUT    /v1/layouts/{name}                                   RA
DELETE /v1/layouts/{name}                                   RA
GET    /v1/layouts/{name}/table.csv                         TIRA
GET    /v1/visits/by-external-id/{external_id}              TIRA
PUT    /v1/visits/by-external-id/{external_id}              IRA
GET    /v1/visits/{visit_id}/trail                          TIRA
POST   /v1/readings/{reading_id}/supersede                  TIRA

POST   /v1/visits                                           TIRA
GET    /v1/jobs                                             TIRA
POST   /v1/jobs                                             TIRA
GET    /v1/jobs/{job_id}                                    TIRA
PUT    /v1/jobs/{job_id}                                    TIRA

GET    /v1/visits/{visit_id}                                TIRA
PUT    /v1/visits/{visit_id}                                TIRA own
POST   /v1/visits/{visit_id}/readings                       TIRA own
POST   /v1/visits/{visit_id}/files                          TIRA own
POST   /v1/visits/{visit_id}/photos                         TIRA own
POST   /v1/visits/{visit_id}/handled                        TIRA own
POST   /v1/visits/{visit_id}/hand-in                        TIRA own
POST   /v1/visits/{visit_id}/accept                         RA
POST   /v1/visits/{visit_id}/send-back                      RA
GET    /v1/visits/{visit_id}/logs/{attachment_id}/cut       TIRA
POST   /v1/visits/{visit_id}/logs/{attachment_id}/cut       TIRA own
PUT    /v1/visits/{visit_id}/logs/{attachment_id}/cut       TIRA own
POST   /v1/visits/{visit_id}/logs/{attachment_id}/cut/confirm  TIRA own
GET    /v1/visits/{visit_id}/report.pdf                     TIRA
POST   /v1/visits/{visit_id}/report                         TIRA own
GET    /v1/flagged-visits                                   TIRA
GET    /v1/evidence/{sha256}                                TIRA
POST   /v1/judge                                            TIRA read
GET    /v1/rules                                            TIRA
GET    /v1/units                                            TIRA
GET    /v1/due                                              TIRA
GET    /v1/due.ics                                          TIRA
GET    /v1/plans                                            TIRA
POST   /v1/plans                                            RA
POST   /v1/plans/preview                                    RA read
GET    /v1/plans/{key}                                      TIRA
DELETE /v1/plans/{key}                                      RA
GET    /v1/plans/{key}/toml                                 TIRA
GET    /v1/maps                                             TIRA
GET    /v1/maps/{fingerprint}                               TIRA
POST   /v1/maps                                             TIRA
DELETE /v1/maps/{fingerprint}                               RA

GET    /v1/webhooks                                         A
POST   /v1/webhooks                                         A
GET    /v1/webhooks/{webhook_id}                            A
PUT    /v1/webhooks/{webhook_id}                            A
DELETE /v1/webhooks/{webhook_id}                            A
POST   /v1/webhooks/{webhook_id}/rotate                     A
POST   /v1/webhooks/{webhook_id}/test                       A
GET    /v1/deliveries                                       A
POST   /v1/deliveries/replay                                A
POST   /v1/deliveries/discard                               A
GET    /v1/deliveries/{delivery_id}                         A
POST   /v1/deliveries/{delivery_id}/replay                  A
POST   /v1/deliveries/{delivery_id}/discard                 A
GET    /v1/duty                                             RA
POST   /v1/duty                                             RA
GET    /v1/duty/{person_id}                                 RA
PUT    /v1/duty/{person_id}                                 RA
DELETE /v1/duty/{person_id}                                 RA
POST   /v1/duty/{person_id}/test                            RA
GET    /v1/standing-stops                                   TIRA
POST   /v1/visits/{visit_id}/take-stop                      RA
GET    /v1/standing-acceptances                             TIRA
POST   /v1/standing-acceptances                             RA
GET    /v1/standing-acceptances/{standing_id}               TIRA
DELETE /v1/standing-acceptances/{standing_id}               RA
POST   /visits/{visit_id}/stand                             RA
POST   /standing-acceptances/{standing_id}/end              RA

GET    /webhooks                                            A
POST   /webhooks                                            A
GET    /webhooks/undelivered                                A
POST   /webhooks/undelivered                                A
POST   /webhooks/undelivered/{delivery_id}                  A
POST   /webhooks/undelivered/discard                        A
POST   /webhooks/undelivered/{delivery_id}/discard          A
GET    /webhooks/{webhook_id}                               A
POST   /webhooks/{webhook_id}                               A
POST   /webhooks/{webhook_id}/rotate                        A
POST   /webhooks/{webhook_id}/test                          A
POST   /webhooks/{webhook_id}/remove                        A
GET    /duty                                                RA
POST   /duty                                                RA
POST   /duty/{person_id}                                    RA
POST   /duty/{person_id}/test                               RA
POST   /duty/{person_id}/remove                             RA
POST   /visits/{visit_id}/take-stop                         RA

GET    /                                                    TIRA
GET    /boilers                                             TIRA
GET    /boilers/{boiler_id}                                 TIRA
POST   /boilers/{boiler_id}/visits                          TIRA
GET    /boilers/{boiler_id}/visits/coming                   TIRA
GET    /boilers/{boiler_id}/visits/coming/{part}            TIRA
GET    /boilers/{boiler_id}/limits                          RA
POST   /boilers/{boiler_id}/limits                          RA
POST   /boilers/{boiler_id}/plans                           IRA
GET    /limits                                              RA
POST   /limits                                              RA
GET    /compare                                             TIRA
GET    /fleet                                               RA
GET    /plans                                               RA
POST   /plans                                               RA
GET    /audit                                               A
GET    /accept-together                                     RA
POST   /accept-together                                     RA
GET    /due                                                 TIRA
GET    /visits/{visit_id}                                   TIRA
POST   /visits/{visit_id}/files                             TIRA own
GET    /visits/{visit_id}/files/progress/{entry}           TIRA
GET    /visits/{visit_id}/readings                          TIRA
POST   /visits/{visit_id}/readings                          TIRA own
POST   /visits/{visit_id}/photos                            TIRA own
GET    /visits/{visit_id}/photos/{sha256}                   TIRA
POST   /visits/{visit_id}/handled                           TIRA own
POST   /visits/{visit_id}/hand-in                           TIRA own
POST   /visits/{visit_id}/accept                            RA
POST   /visits/{visit_id}/send-back                         RA
GET    /visits/{visit_id}/report                            TIRA
POST   /visits/{visit_id}/job                               TIRA own
GET    /jobs/{job_id}                                       TIRA
POST   /jobs/{job_id}                                       TIRA
GET    /visits/{visit_id}/service                           TIRA
POST   /visits/{visit_id}/service                           TIRA own
GET    /visits/{visit_id}/logs/{attachment_id}              TIRA
POST   /visits/{visit_id}/logs/{attachment_id}              TIRA own
GET    /visits/{visit_id}/evidence                          TIRA
GET    /visits/{visit_id}/files/{attachment_id}             TIRA
GET    /help                                                TIRA
GET    /help/quantities/{key}                               TIRA
GET    /help/rules/{key}                                    TIRA
GET    /maps                                                TIRA
POST   /maps/headings                                       TIRA
POST   /maps/teach                                          TIRA
POST   /maps/{fingerprint}/forget                           RA
"""

_LETTERS: Mapping[str, Role] = {role[0].upper(): role for role in ROLES}
OPEN_FOLDERS = ("/static/",)
"""Served to anyone: what the pages are drawn with."""


@dataclass(frozen=True, slots=True)
class Permission:
    """What one method of one address asks of whoever comes.

    Attributes
    ----------
    roles : frozenset of Role
        Empty where anyone may.
    own : bool
        Whether a technician must have opened the visit or be named in it.
    """

    method: str
    path: str
    anyone: bool
    roles: frozenset[Role]
    scope: Scope
    own: bool


def _read(table: str) -> Iterator[Permission]:
    for line in table.splitlines():
        if not line.strip():
            continue
        method, path, who, *marks = line.split()
        anyone = who == "anyone"
        yield Permission(
            method,
            path,
            anyone,
            frozenset() if anyone else frozenset(_LETTERS[letter] for letter in who),
            "read" if method == "GET" or "read" in marks else "write",
            "own" in marks,
        )


PERMISSIONS: tuple[Permission, ...] = tuple(_read(_TABLE))

_Tree = dict[str, "_Tree | Permission"]
_ANY = "{}"


def _grow(permissions: tuple[Permission, ...]) -> _Tree:
    root: _Tree = {}
    for permission in permissions:
        node = root
        for part in permission.path.split("/")[1:]:
            branch = node.setdefault(_ANY if part.startswith("{") else "/" + part, {})
            assert isinstance(branch, dict)
            node = branch
        node[permission.method] = permission
    return root


_ROOT = _grow(PERMISSIONS)


@lru_cache(maxsize=2048)
def permissions_at(path: str) -> Mapping[str, Permission]:
    """Return the permissions of an address by method; empty where it has no line.

    >>> sorted(permissions_at("/v1/sites/3f")), dict(permissions_at("/v1/nothing"))
    (['GET', 'PUT'], {})
    """
    found = _walk(_ROOT, path.split("/")[1:])
    return MappingProxyType({m: p for m, p in (found or {}).items() if isinstance(p, Permission)})


def _walk(node: _Tree, parts: list[str]) -> _Tree | None:
    if not parts:
        return node
    for name in ("/" + parts[0], _ANY):
        branch = node.get(name)
        if isinstance(branch, dict) and (name != _ANY or parts[0]):
            found = _walk(branch, parts[1:])
            if found:
                return found
    return None


def parameters(permission: Permission, path: str) -> dict[str, str]:
    """Return the named parts of an address.

    >>> parameters(permissions_at("/v1/sites/3f")["GET"], "/v1/sites/3f")
    {'site_id': '3f'}
    """
    pairs = zip(permission.path.split("/"), path.split("/"), strict=True)
    return {name[1:-1]: part for name, part in pairs if name.startswith("{")}
