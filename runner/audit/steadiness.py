"""How steady a clock was over short and long spans: what is left when its mean tempo is taken out.

Time errors, one a beat, against the line that gave the measured tempo. Time deviation is the usual size of
what jitter and wander do over a span; the greatest interval error is the most by which any stretch of that
length was too long or too short (`runner.sync.stability`; ITU-T G.810).
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Sequence
from typing import Any

from runner.audit.statistics import Line
from runner.sync.stability import greatest_interval_error, time_deviation

CLOCKS_PER_BEAT = 24
SPANS_BEATS = (1, 4, 16, 64)


def beat_errors(numbers: Sequence[int], xs: Sequence[int], ys: Sequence[int], line: Line) -> array[float]:
    """Return the time error in ns at each beat from the first tick on; for a lost tick the next one's.

    `numbers` are the ticks' numbers, which do not fall; `xs` and `ys` what the line was put through.
    """
    errors = array("d")
    count = len(numbers)
    if not count or numbers[-1] - numbers[0] > 2 * count:  # most of it lost, or a damaged record
        return errors
    for wanted in range(numbers[0], numbers[-1] + 1, CLOCKS_PER_BEAT):
        index = min(bisect_left(numbers, wanted), count - 1)
        errors.append(ys[index] - line.at(xs[index]))
    return errors


def steadiness(errors: Sequence[float]) -> list[dict[str, Any]]:
    """Return time deviation and greatest interval error in us for each span of beats that the take fills."""
    return [
        {
            "beats": beats,
            "tdev_us": round(time_deviation(errors, 1.0, beats) / 1000, 3),
            "mtie_us": round(greatest_interval_error(errors, beats) / 1000, 3),
        }
        for beats in SPANS_BEATS
        if len(errors) >= 3 * beats + 1
    ]
