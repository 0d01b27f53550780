"""One small trial, checked once for all tests of the report."""

from __future__ import annotations

import pytest
from paper_cases import small_trial

from studykit.data import Checked


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    return small_trial(tmp_path_factory.mktemp("small") / "trial")
