"""What all tests have in common."""

from __future__ import annotations

from hypothesis import settings

# A busy machine must not fail a test: nothing is judged by the time that it takes.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
