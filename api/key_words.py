"""Words for the keys of short fixed lists: fuels, what a quantity refers to, acts of the trail.

A key is its English words with low lines between them; the catalogues have the words. A key that
stands in none of the lists, such as a composition for a fuel, is said as it is written.
"""

from __future__ import annotations

from typing import get_args

from api.words import _
from combustion.fuels import FUELS, Kind
from combustion.quantities import Basis, Role
from ingest.judgement import Level, Status
from ingest.store.accounts import ROLES

ACTS = (
    "accepted", "account_changed", "account_made", "boiler_added", "boiler_changed",
    "company_limits_changed", "cut_confirmed", "cut_corrected", "deliveries_discarded",
    "deliveries_replayed", "delivery_discarded",
    "delivery_replayed", "duty_person_put", "duty_person_removed", "file_added",
    "file_withdrawn", "handed_in", "job_added", "job_changed", "judged_again", "key_made",
    "key_revoked", "layout_removed", "layout_saved", "limits_changed", "link_made",
    "map_forgotten", "map_taught", "password_set", "photo_added", "plan_added",
    "plan_brought_back", "plan_removed", "plans_chosen",
    "reading_superseded", "readings_added", "readings_joined", "readings_waiting", "report_made",
    "secrets_sealed", "sent_back",
    "signed_in", "site_added", "site_changed", "standing_acceptance_ended",
    "standing_acceptance_made", "stop_taken", "visit_assigned", "visit_changed",
    "visit_imported", "visit_opened", "webhook_changed", "webhook_made", "webhook_removed",
    "webhook_secret_rotated", "webhook_switched_off",
)  # fmt: skip
"""What lines of the audit trail say was done."""

SUBJECTS = (
    "visit", "boiler", "site", "job", "account", "key", "webhook", "plan", "layout", "map",
    "delivery", "deliveries", "company", "duty", "acceptance",
)  # fmt: skip
"""What lines of the audit trail are about."""

FILES = ("readings", "log", "photo")
"""What a kept file holds."""

KEYS: tuple[str, ...] = (
    *FUELS, *get_args(Basis), *get_args(Role), *get_args(Status), *get_args(Level), *ACTS,
    *SUBJECTS, *FILES, *get_args(Kind), *ROLES,
)  # fmt: skip


def _english(key: str) -> str:
    return key.replace("_", " ").replace("no2 oil", "no. 2 oil").replace("n butane", "n-butane")


WORDS = {key: _english(key) for key in KEYS}


def key_said(key: str) -> str:
    """Return a key in the reader's words.

    >>> key_said("natural_gas"), key_said("CH4=95 C2H6=5")
    ('natural gas', 'CH4=95 C2H6=5')
    """
    return _(WORDS[key]) if key in WORDS else key
