"""Columns of numbers as short text that a page's script reads back. Pure.

A column becomes whole numbers of 16 bits, little-endian, in base 64; the few that do not fit stand beside it
by their index. So an hour of clocks, whole and not thinned, costs four bytes each in the page.
"""

from __future__ import annotations

import base64
import sys
from array import array
from collections.abc import Sequence
from operator import sub
from typing import Any

TIME_UNIT_NS = 100_000  #: place on the axis: 0.1 ms, a tenth of what a screen can show
_SMALL = 32_767
_ESCAPE = -32_768
_UNITS_NS = (100, 1_000, 10_000, 100_000)


def packed_times(t_ns: Sequence[int], origin_ns: int) -> dict[str, Any]:
    """Return times as steps from one to the next, in units of `TIME_UNIT_NS`; the first from the origin."""
    places = [(t - origin_ns) // TIME_UNIT_NS for t in t_ns]
    return _packed(list(map(sub, places, [0, *places[:-1]])))


def packed_values(values_ns: Sequence[int]) -> dict[str, Any]:
    """Return values with their "unit_ns": the finest in which at most one in 200 does not fit."""
    unit = _UNITS_NS[-1]
    for unit in _UNITS_NS:
        most = _SMALL * unit
        if sum(1 for value in values_ns if not -most <= value <= most) * 200 <= len(values_ns):
            break
    half = unit // 2
    return {"unit_ns": unit, **_packed([(value + half) // unit for value in values_ns])}


def _packed(numbers: list[int]) -> dict[str, Any]:
    large: dict[str, int] = {}
    if numbers and not (min(numbers) >= -_SMALL and max(numbers) <= _SMALL):
        large = {str(i): number for i, number in enumerate(numbers) if not -_SMALL <= number <= _SMALL}
        numbers = [number if -_SMALL <= number <= _SMALL else _ESCAPE for number in numbers]
    column = array("h", numbers)
    if sys.byteorder == "big":
        column.byteswap()
    return {"b64": base64.b64encode(column.tobytes()).decode("ascii"), "large": large}
