"""A status in words, and what of it is worth a new line."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from fake_desk import ROLLING
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from runner.cli.watch_text import (
    STATES,
    changes,
    clean,
    clock_line,
    cut,
    cut_middle,
    fitted,
    place_text,
    snapshot,
    state_text,
)
from runner.desk.status import STATES as ALL_STATES
from runner.desk.status import Alarm, PortStatus, Status, TakeStatus

LONG_NAME = "The Long Way Round the Outer Breakwater at Low Tide, second version"


@pytest.fixture(autouse=True)
def _harbour_time(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        yield
    time.tzset()


def test_the_snapshot_has_everything() -> None:
    """State, song, take, place, cue, next song, clock, ports, takes, alarms, one below another."""
    assert snapshot(ROLLING, 80) == [
        "session Lantern Quay, evening run",
        "state   rolling",
        "song    Ropewalk  (3 of 8)",
        "take    bass overdub, take 12",
        "at      bar 17 beat 3, refrain, 1:12 left",
        "cue     bar 21 beat 1: bass: program 12, in 0:08",
        "next    Tide Table",
        "clock   follows tape: locked, 112.0 BPM, !! 2 clocks missing in this take",
        "muted   drums",
        "ports   ok front",
        "        ok pedal",
        "        !! deck MISSING: gone since 19:31:07",
        "        ok tape",
        "takes   ok clean       Ropewalk, bass overdub, take 11",
        "        !! flawed      Ropewalk, bass overdub, take 10",
        "        !! failed      Fog Signal, main, take 3",
        "        -- interrupted Fog Signal, main, take 2",
        "        ok clean       Net Loft, main, take 1",
        "alarms  !! 17:31:07 error: port deck is gone",
        "        -- 17:29:59 warning: clock from tape missed 2 ticks at bar 9 beat 2",
    ]


LONG = replace(
    ROLLING,
    session=f"{LONG_NAME}, evening run",
    song=LONG_NAME,
    pass_name="organ and slide whistle overdub, the quiet one",
    next_song=LONG_NAME,
    section=LONG_NAME,
    takes=(TakeStatus(LONG_NAME, "organ and slide whistle overdub, the quiet one", 1234, "interrupted"),),
)


def test_long_names_give_way_to_figures_in_the_snapshot() -> None:
    """They are cut in their middle; the place in the order, numbers of takes and the time left stay whole."""
    lines = {line[:8].strip(): line[8:] for line in snapshot(LONG, 80)}
    assert all(cell_len(line) <= 72 for line in lines.values())
    assert lines["song"] == "The Long Way Round the Outer Br…er at Low Tide, second version  (3 of 8)"
    assert lines["next"] == LONG_NAME
    assert lines["take"] == "organ and slide whistle overdub, the quiet one, take 12"
    assert lines["takes"] == "-- interrupted The Long Wa…ond version, organ and s…quiet one, take 1234"
    assert lines["at"].startswith("bar 17 beat 3, The Long")
    assert lines["at"].endswith("…ow Tide, second version, 1:12 left")
    assert lines["session"].endswith("version, evening run")


def test_sentences_go_on_in_the_next_line() -> None:
    """What the daemon waits for, what is wrong with a port and an alarm are never cut in the snapshot."""
    text = "port front: no output of the system matches 'Frnt USB*'; near: 'Front USB-MIDI 1', plug it in"
    alarm = Alarm("2026-05-02T17:29:59Z", "error", text)
    ports = (PortStatus("front", False, text),)
    lines = snapshot(Status(state="trouble", waiting_for=text, ports=ports, alarms=(alarm,)), 80)
    assert max(map(len, lines)) <= 80
    assert " ".join(" ".join(lines).split()).count(text) == 3


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=90), st.text(max_size=90), st.integers(0, 100))
def test_names_fit_whatever_they_are(song: str, a_pass: str, cells: int) -> None:
    """Wide letters are counted as shown; where there is any room, the number of the take stays whole."""
    found = fitted([song, a_pass], cells, last="take 12")
    assert cell_len(found) <= cells
    assert cells < 20 or found.endswith("take 12")
    assert cell_len(cut_middle(song, cells)) <= cells


def test_an_empty_status_is_short() -> None:
    """What is not known is left out."""
    assert snapshot(Status(), 80) == ["state   starting: the rig is being opened", "clock   unknown"]


def test_waiting_says_what_for() -> None:
    """A player sees what the daemon waits for, and that a hold is on."""
    lines = snapshot(Status(state="waiting", waiting_for="roll"), 80)
    assert "waits   for roll" in lines
    assert "state   rolling, in a hold: go ends it" in snapshot(Status(state="rolling", hold=True), 80)


def test_every_state_has_words() -> None:
    """No state is shown as a bare key, and one of a newer daemon is shown as it is."""
    assert set(STATES) == set(ALL_STATES)
    assert state_text(Status(state="humming")) == "humming"


def test_the_clock_in_words() -> None:
    """Whose clock, whether it is locked, and what is wrong with it; trouble in capitals with a sign."""
    master = Status(state="rolling", at="bar 1 beat 1", clock_role="master", tempo_bpm=112.0, realtime=True)
    assert clock_line(master) == "master, 112.0 BPM, no clock missing"
    assert clock_line(replace(master, realtime=False)).endswith("!! no real-time priority")
    follower = replace(master, clock_role="follower", clock_source="tape", clock_lock="freewheeling")
    assert clock_line(follower).startswith("follows tape: FREEWHEELING, ")
    assert clock_line(replace(follower, clock_lock="")).startswith("follows tape: not heard yet")
    assert "!! 1 clock missing" in clock_line(replace(master, clock_missing=1))


@pytest.mark.parametrize(
    ("at", "text"),
    [
        ("bar 5 beat 2 7/12", "bar 5 beat 2"),
        ("bar 5 beat 2.5", "bar 5 beat 2"),
        ("bar 0 beat 1", "bar 0 beat 1"),
        ("bar 5", "bar 5"),
        ("", ""),
    ],
)
def test_the_fraction_of_a_beat_is_left_out(at: str, text: str) -> None:
    """It changes too fast to be read."""
    assert place_text(Status(at=at)) == text


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=40), st.integers(0, 30))
def test_text_is_cut_to_cells_and_harmless(text: str, cells: int) -> None:
    """Any name fits where it is put, wide letters counted as shown, with nothing a terminal obeys."""
    found = cut(text, cells)
    assert cell_len(found) <= cells
    assert found.isprintable()
    assert clean("a\x1b[2Jb\n") == "a?[2Jb?"


def test_what_changes_is_told_once() -> None:
    """A line for a new state, section or missing port, each alarm and finished take; none for a bar."""
    first = changes(None, ROLLING)
    assert first[0] == (
        "rolling  Ropewalk (bass overdub, take 12)  refrain  clock locked  "
        "!! deck MISSING: gone since 19:31:07"
    )
    assert len(first) == 3
    assert changes(ROLLING, replace(ROLLING, at="bar 18 beat 1", left_s=70.0)) == []
    later = replace(
        ROLLING,
        state="waiting",
        waiting_for="go",
        ports=(PortStatus("deck"),),
        alarms=(*ROLLING.alarms, Alarm("2026-05-02T17:40:00Z", "warning", "the disk is nearly full")),
        takes=(TakeStatus("Ropewalk", "bass overdub", 12, "clean"), *ROLLING.takes[:4]),
    )
    assert changes(ROLLING, later) == [
        "waiting  Ropewalk (bass overdub, take 12)  refrain  clock locked  waits for go",
        "!! 17:40:00 warning: the disk is nearly full",
        "ok clean       Ropewalk, bass overdub, take 12",
    ]
