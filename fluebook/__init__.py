"""What a program that talks to a fluebook server needs: the typed client."""

from fluebook.client import Client, Refused, Unreachable

__all__ = ["Client", "Refused", "Unreachable"]
