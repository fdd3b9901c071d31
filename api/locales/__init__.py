"""The catalogues of texts, and what keeps them complete (``python -m api.locales``)."""
