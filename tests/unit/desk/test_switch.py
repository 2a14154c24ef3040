"""Presses, releases, long and double presses of one switch, with contacts that bounce."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.desk.actions import Order
from runner.desk.switch import Switch, Wants

MS = 1_000_000
PRESS, RELEASE, DOUBLE, LONG, LONGER = (Order(word) for word in ("roll", "go", "next", "stop", "panic"))
DEBOUNCE_MS, WITHIN_MS, LONG_MS = 30, 400, 600


def wants(*what: str) -> Wants:
    """Return what is wanted, by name, with the usual times."""
    longs = [(LONG_MS * MS, (LONG,))] if "long" in what else []
    if "longer" in what:
        longs.append((3 * LONG_MS * MS, (LONGER,)))
    return Wants(
        press=(PRESS,) if "press" in what else (),
        release=(RELEASE,) if "release" in what else (),
        double=(DOUBLE,) if "double" in what else (),
        longs=tuple(longs),
        debounce_ns=DEBOUNCE_MS * MS,
        double_within_ns=WITHIN_MS * MS if "double" in what else 0,
    )


def played(switch: Switch, *levels: tuple[int, bool], until_ms: int = 10_000) -> list[tuple[int, str]]:
    """Feed levels at their times in ms, and ask at each deadline; return (ms, word) of each order."""
    told: list[tuple[int, str]] = []

    def wait(until_ns: int) -> None:
        while (deadline := switch.next_deadline_ns) is not None and deadline <= until_ns:
            told.extend((deadline // MS, order.word) for order in switch.due(deadline))

    for at_ms, pressed in levels:
        wait(at_ms * MS)
        told.extend((at_ms, order.word) for order in switch.level(pressed, at_ms * MS))
    wait(until_ms * MS)
    return told


def tap(at_ms: int, held_ms: int = 100) -> tuple[tuple[int, bool], tuple[int, bool]]:
    """Return the levels of one press."""
    return (at_ms, True), (at_ms + held_ms, False)


def test_a_press_alone_is_told_at_once() -> None:
    """With nothing else wanted, a press is told when it comes, and its release is not."""
    assert played(Switch(wants("press")), *tap(0), *tap(500)) == [(0, "roll"), (500, "roll")]


def test_press_and_release_are_told_each_in_its_moment() -> None:
    """What is to last while the pedal is held can begin with the press and end with the release."""
    assert played(Switch(wants("press", "release")), *tap(5)) == [(5, "roll"), (105, "go")]


def test_a_long_press_is_told_while_it_is_held() -> None:
    """A long press is told when its time is over, not when it is let go, and there is no press beside it."""
    switch = Switch(wants("press", "long"))
    assert played(switch, *tap(0, 599), *tap(1000, 601)) == [(599, "roll"), (1600, "stop")]


def test_longer_presses_follow_long_ones() -> None:
    """A switch that is held on gives the order of each time that is over."""
    switch = Switch(wants("press", "long", "longer", "release"))
    assert played(switch, *tap(0, 2000)) == [(600, "stop"), (1800, "panic"), (2000, "go")]


def test_a_press_waits_for_a_second_one_where_double_is_wanted() -> None:
    """The single press is told when the time for a second is over, the double one at its second press."""
    switch = Switch(wants("press", "double"))
    assert played(switch, *tap(0), *tap(1000), *tap(1399)) == [(400, "roll"), (1399, "next")]
    assert played(Switch(wants("press", "double")), *tap(0), *tap(400)) == [(400, "roll"), (800, "roll")]


def test_a_third_press_is_a_first_one() -> None:
    """Three quick presses are a double and a single, four are two doubles."""
    switch = Switch(wants("press", "double"))
    assert played(switch, *tap(0, 50), *tap(150, 50), *tap(300, 50)) == [(150, "next"), (700, "roll")]


def test_double_alone_says_nothing_of_a_single_press() -> None:
    """A single press of a switch that waits for double presses orders nothing."""
    assert played(Switch(wants("double")), *tap(0)) == []


@pytest.mark.parametrize(
    ("levels", "told"),
    [
        (tap(0, 100), [(400, "roll")]),
        (tap(0, 500), [(500, "roll")]),
        (tap(0, 700), [(600, "stop")]),
        ((*tap(0, 100), *tap(200, 900)), [(200, "next")]),
        ((*tap(0, 100), *tap(500, 700)), [(400, "roll"), (1100, "stop")]),
    ],
)
def test_press_long_and_double_on_one_switch(
    levels: tuple[tuple[int, bool], ...], told: list[tuple[int, str]]
) -> None:
    """A press that could become a long or a double one is told as soon as it can become neither."""
    assert played(Switch(wants("press", "long", "double")), *levels) == told


def test_a_bouncing_contact_gives_one_press_and_one_release() -> None:
    """Bounces on the way down and on the way up give nothing of their own."""
    down = [(0, True), (3, False), (5, True), (11, False), (12, True)]
    up = [(200, False), (204, True), (209, False)]
    assert played(Switch(wants("press", "release")), *down, *up) == [(0, "roll"), (200, "go")]


def test_a_tap_shorter_than_the_debounce_is_still_let_go() -> None:
    """The release of a very short tap is believed when the contact can be believed again."""
    assert played(Switch(wants("press", "release", "long")), *tap(0, 12)) == [(30, "roll"), (30, "go")]


def test_forget_orders_nothing() -> None:
    """A switch whose port is gone gives neither the long press nor the single one that was due."""
    switch = Switch(wants("press", "long", "double"))
    switch.level(True, 0)
    switch.forget()
    assert switch.next_deadline_ns is None
    assert switch.due(10_000 * MS) == []
    assert played(switch, *tap(20_000), until_ms=30_000) == [(20_400, "roll")]


def test_time_that_goes_backwards_is_taken_for_the_last_time() -> None:
    """A message stamped before the last one is taken as if it came with it."""
    switch = Switch(wants("press", "release"))
    assert switch.level(True, 1000 * MS) == [PRESS]
    assert switch.level(False, 0) == []
    assert switch.due(1030 * MS) == [RELEASE]


def test_a_switch_without_release() -> None:
    """Each message is a press, but for those that come within the debounce time; doubles work as well."""
    switch = Switch(wants("press"))
    found = [switch.hit(at_ms * MS) for at_ms in (0, 10, 29, 30, 300)]
    assert found == [[PRESS], [], [], [PRESS], [PRESS]]
    switch = Switch(wants("press", "double"))
    assert [switch.hit(at_ms * MS) for at_ms in (0, 200, 1000)] == [[], [DOUBLE], []]
    assert switch.due(1400 * MS) == [PRESS]


_everything = st.sets(st.sampled_from(["press", "release", "double", "long", "longer"]))


@settings(deadline=None)
@given(_everything, st.lists(st.tuples(st.integers(0, 300), st.booleans()), max_size=60))
def test_bounces_never_give_two_orders(what: set[str], steps: list[tuple[int, bool]]) -> None:
    """Within any debounce time the switch is believed to change once at most: one press, one order."""
    at_ms, levels = 0, []
    for wait_ms, pressed in steps:
        at_ms += wait_ms
        levels.append((at_ms, pressed))
    told = played(Switch(wants("press", "release")), *levels, until_ms=at_ms + 10_000)
    times = [time for time, _ in told]
    assert all(later - earlier >= DEBOUNCE_MS for earlier, later in pairwise(times))
    assert [word for _, word in told] == ["roll", "go"] * (len(told) // 2) + ["roll"] * (len(told) % 2)
    # whatever else is wanted of the same switch, a press becomes one of press, double's half, long
    presses = sum(word == "roll" for _, word in told)
    other = [word for _, word in played(Switch(wants(*what)), *levels, until_ms=at_ms + 10_000)]
    assert other.count("roll") + 2 * other.count("next") + other.count("stop") <= presses
    if {"press", "double", "long"} <= what:
        assert other.count("roll") + 2 * other.count("next") + other.count("stop") >= presses - 1
        assert other.count("panic") <= other.count("stop")


@settings(deadline=None)
@given(_everything, st.lists(st.tuples(st.integers(0, 700), st.booleans()), max_size=40))
def test_the_rhythm_of_asking_changes_nothing(what: set[str], steps: list[tuple[int, bool]]) -> None:
    """Asked at its deadlines, or only when the next message is there, a switch orders the same."""
    at_ms, levels = 0, []
    for wait_ms, pressed in steps:
        at_ms += wait_ms
        levels.append((at_ms, pressed))
    exact = [word for _, word in played(Switch(wants(*what)), *levels, until_ms=at_ms + 10_000)]
    lazy = Switch(wants(*what))
    seen = [order.word for time, pressed in levels for order in lazy.level(pressed, time * MS)]
    seen += [order.word for order in lazy.due((at_ms + 10_000) * MS)]
    assert seen == exact
