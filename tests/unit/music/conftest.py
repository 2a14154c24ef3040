"""Property tests of this folder are the same on each run, and a busy computer does not fail them."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("music", deadline=None, derandomize=True)
settings.load_profile("music")
