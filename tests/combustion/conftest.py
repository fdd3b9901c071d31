"""One hypothesis profile: no deadline, because a busy machine is not a wrong formula."""

import os

from hypothesis import settings

settings.register_profile(
    "unhurried", deadline=None, max_examples=60, derandomize="CI" in os.environ
)
settings.load_profile("unhurried")
