"""Hypothesis: the same examples every time in CI; HAUNT_LONG draws many new ones."""

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "ci", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", deadline=None, max_examples=2000)
settings.load_profile("long" if os.environ.get("HAUNT_LONG") else "ci")
