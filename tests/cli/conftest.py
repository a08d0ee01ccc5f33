"""A drop and a folder that commands of the tests share; nobody writes into either."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.end_to_end import drops


@pytest.fixture(scope="session")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return drops.one_take(tmp_path_factory.mktemp("cli") / "drop")
