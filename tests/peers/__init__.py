"""Suites that nobody here made, run as they say; skipped where the shared folder is missing."""

from __future__ import annotations

from pathlib import Path

import pytest

PEERS = Path(__file__).parents[3] / "shared" / "peers"

needs_peers = pytest.mark.skipif(not PEERS.is_dir(), reason="the peers' suites are missing")
