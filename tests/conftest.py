"""Settings shared by all tests."""

from __future__ import annotations

from chromium import browser  # noqa: F401 - a fixture, here for every test that opens a page
from hypothesis import HealthCheck, settings

settings.register_profile(
    "studykit",
    deadline=None,  # two busy cores would make a time limit fail by chance
    derandomize=True,  # the same examples on every machine, so that a failure can be repeated
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("studykit")
