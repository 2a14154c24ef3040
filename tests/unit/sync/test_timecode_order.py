"""Quarter frames out of their order: told at the end, and not of those that were only late."""

from __future__ import annotations

from tape_code import TapeCode

from runner.music import FrameRate, TimeCode
from runner.sync.findings import Code
from runner.sync.prior import SteadyPrior
from runner.sync.reports import FollowerConfig
from runner.sync.timecode_listener import TimeCodeListener

SECOND = 1_000_000_000


def codes(rows: list[tuple[int, bytes]]) -> list[Code]:
    """Feed quarter frames to a song of 125 quarter notes a minute, and return what was told to its end."""
    listener = TimeCodeListener(
        FollowerConfig(freewheel_ns=SECOND), SteadyPrior(125.0),
        lambda rate: TimeCode.parse("01:00:00:00", rate), FrameRate.FPS_25, "deck",
    )  # fmt: skip
    at = 0
    for at, data in rows:
        listener.advance(at)
        listener.take(data, at)
    listener.close(at)
    return [finding.code for finding in listener.findings()]


def rows() -> list[tuple[int, bytes]]:
    return list(TapeCode(TimeCode.parse("01:00:00:00", FrameRate.FPS_25)).stream(600))


def test_pieces_out_of_order_are_told() -> None:
    """Two machines on one cable: every fiftieth piece comes before its neighbour (RP-004/008, p. 3)."""
    stream = rows()
    for index in range(100, 500, 50):
        (t_0, first), (t_1, second) = stream[index : index + 2]
        stream[index : index + 2] = [(t_0, second), (t_1, first)]
    assert Code.CODE_BROKEN in codes(stream)


def test_what_is_late_and_comes_together_is_in_order() -> None:
    """A link that holds pieces back for 60 ms keeps their order."""
    stream = rows()
    held = stream[306][0]
    stream[300:306] = [(held, data) for _, data in stream[300:306]]
    assert Code.CODE_BROKEN not in codes(stream)
