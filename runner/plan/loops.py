"""Loops, as the plan's users know them; they are written in `runner.music.loops`."""

from runner.music.loops import MAX_PASSES, Loop, parse_loop

__all__ = ["MAX_PASSES", "Loop", "parse_loop"]
