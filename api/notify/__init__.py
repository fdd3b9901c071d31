"""Telling other systems and people of what matters: signed webhooks and mail, with retries."""

from api.notify.courier import Courier, courier_of
from api.notify.delivery import Message, Outcome, attempt, next_attempt
from api.notify.destination import DestinationRefused, checked_destination, checked_spelling

__all__ = [
    "Courier",
    "DestinationRefused",
    "Message",
    "Outcome",
    "attempt",
    "checked_destination",
    "checked_spelling",
    "courier_of",
    "next_attempt",
]
