"""The ways through the office: which pages a reader may open, in one order everywhere."""

from __future__ import annotations

from api.accounts.principal import Principal
from api.permissions import permissions_at
from api.words import N_, _

WAYS = (
    ("/", N_("Review")),
    ("/due", N_("Due")),
    ("/fleet", N_("Fleet")),
    ("/boilers", N_("Boilers")),
    ("/limits", N_("Limits")),
    ("/maps", N_("Column maps")),
    ("/plans", N_("Plans")),
    ("/duty", N_("On duty")),
    ("/webhooks", N_("Webhooks")),
    ("/accounts", N_("Accounts and keys")),
    ("/audit", N_("Audit trail")),
    ("/help", N_("Help")),
)


def ways(person: Principal | None) -> list[tuple[str, str]]:
    """Return address and name of each page that a reader's role may open.

    >>> from api.accounts.principal import ALONE
    >>> ways(None), ways(ALONE)[0]
    ([], ('/', 'Review'))
    """
    if person is None:
        return []
    return [
        (address, _(name))
        for address, name in WAYS
        if (found := permissions_at(address).get("GET")) is not None and person.role in found.roles
    ]
