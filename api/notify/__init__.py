"""Telling other systems and people of what matters: signed webhooks, with retries."""

from api.notify.delivery import Delivery, Outcome, attempt, next_attempt
from api.notify.destination import DestinationRefused, checked_destination

__all__ = [
    "Delivery",
    "DestinationRefused",
    "Outcome",
    "attempt",
    "checked_destination",
    "next_attempt",
]
