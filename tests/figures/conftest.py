"""Hypothesis judges what a figure answers here, not how long a busy machine takes for it."""

from hypothesis import settings

settings.register_profile("figures", deadline=None)
settings.load_profile("figures")
