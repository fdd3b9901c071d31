"""The matrix of who may do what, as a table: ``python -m tests.permissions > docs/permissions.md``.

Made from the table that the doorkeeper reads; tests ask every address as every role.
"""

from __future__ import annotations

from api.permissions import PERMISSIONS
from ingest.store.accounts import ROLES

HEAD = """\
# Who may do what

Made by `python -m tests.permissions` from the table that stands before every address; a test asks
each of them as each role and as nobody. What has no line here is answered as not there.

- **own**: a technician changes visits that they opened or that name them as technician.
- Accounts and keys may be held to some sites: whatever lies outside is answered as not there.
- A key needs the scope of the line beside its role.

"""


def matrix() -> str:
    """Return the page."""
    lines = ["| method | address | scope | anyone | " + " | ".join(ROLES) + " |"]
    lines.append("|" + "---|" * (4 + len(ROLES)))
    for p in PERMISSIONS:
        cells = []
        for role in ROLES:
            own = p.own and role == "technician"
            cells.append("" if role not in p.roles else "own" if own else "yes")
        anyone = "yes" if p.anyone else ""
        scope = "" if p.anyone else p.scope
        lines.append(f"| {p.method} | `{p.path}` | {scope} | {anyone} | {' | '.join(cells)} |")
    return HEAD + "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(matrix(), end="")
