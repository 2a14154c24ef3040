"""The fault laboratory's own modules, and its options."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let a failing campaign be run again by its seed, where this folder is named on the command line."""
    parser.addoption("--lab-seed", type=int, default=None, help="run this one campaign, and say all about it")
