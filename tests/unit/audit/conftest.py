"""Syncs to the medium are left out of most tests of takes: they cost seconds and prove nothing here."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(autouse=True)
def _quick_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make every sync return at once; tests of the sync itself put their own in its place."""
    from runner.takes import files

    monkeypatch.setattr(os, "fsync", lambda fd: None)
    monkeypatch.setattr(files, "data_sync", lambda fd: None)
