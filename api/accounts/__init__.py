"""Who is asking: accounts of people, keys of programs, and what each may do."""

from api.accounts.desk import Desk, NotLetIn
from api.accounts.principal import ALONE, Principal

__all__ = ["ALONE", "Desk", "NotLetIn", "Principal"]
