"""One small car for all tests of reports."""

from __future__ import annotations

import pytest
from cabins import Cabin, make_cabin


@pytest.fixture(scope="session")
def cabin() -> Cabin:
    return make_cabin()
