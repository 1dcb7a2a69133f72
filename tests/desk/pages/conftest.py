from __future__ import annotations

import pytest

from tests.desk.pages.browsing import chromium
from tests.mosquitto import running


@pytest.fixture
def broker(tmp_path):
    """A real broker."""
    with running(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
async def browser():
    """Chromium, with nothing remembered."""
    async with chromium() as browser:
        yield browser
