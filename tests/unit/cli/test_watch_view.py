"""The live view at many sizes: what is on it, what gives way first, and that it always fits."""

from __future__ import annotations

from dataclasses import replace

from fake_desk import ROLLING
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.text import Text

from runner.cli.watch_text import BAD, GOOD, SIGN
from runner.cli.watch_view import absent_screen, figures, screen
from runner.desk.status import STATES, Alarm, NextCue, PortStatus, Status, TakeStatus


def shown(status: Status, width: int = 80, height: int = 24, note: str = "") -> list[str]:
    """Return the view as plain lines."""
    return [row.plain.rstrip() for row in screen(status, width, height, note)]


def test_the_view_at_eighty_by_twenty_four() -> None:
    """Everything a player looks for is there at the size of the smallest usual terminal."""
    assert shown(ROLLING)[:9] == [
        "Lantern Quay, evening run                                               ROLLING",
        "Ropewalk                                           bass overdub, take 12, 3 of 8",
        "",
        "   █   ████     ████  at      bar 17 beat 3, refrain",
        "  ██      █        █  left    1:12 of the song",
        "   █     █       ███  cue     bar 21 beat 1: bass: program 12, in 0:08",
        "   █     █         █  next    Tide Table",
        "  ███    █   █  ████",
        "",
    ]
    text = "\n".join(shown(ROLLING))
    for part in (
        "follows tape: locked", "2 clocks missing", "deck MISSING", "ok pedal", "muted   drums",
        "ok clean       Ropewalk", "!! failed      Fog Signal", "error: port deck is gone", "q leaves",
    ):  # fmt: skip
        assert part in text


def test_an_alarm_is_a_whole_sentence_where_there_are_rows_for_it() -> None:
    """With few rows it is cut at its end, for its beginning names the port or machine."""
    text = "port front: more came in than could be taken, and some was lost on the way"
    status = replace(ROLLING, alarms=(Alarm("2026-05-02T17:29:59Z", "error", text),))
    lines = shown(status)
    assert text in " ".join(" ".join(lines).split())
    assert all(f"take {number}" in " ".join(lines) for number in (11, 10, 3, 2))
    low = shown(status, 80, 12)
    (line,) = (line for line in low if line.startswith("alarms"))
    assert "port front: more" in line


def test_long_names_leave_numbers_whole() -> None:
    """Song and pass are cut in their middle, and the numbers of take and place are still read."""
    name = "The Long Way Round the Outer Breakwater at Low Tide, second version"
    take = TakeStatus(name, "organ and slide whistle overdub, the quiet one", 1234, "failed")
    a_pass = take.pass_name
    lines = shown(replace(ROLLING, song=name, next_song=name, pass_name=a_pass, section=name, takes=(take,)))
    assert lines[1] == "The Long Way Round the…Tide, second version   organ an…uiet one, take 12, 3 of 8"
    assert any(line.endswith(", take 1234") and "version, organ" in line for line in lines)
    assert any("bar 17 beat 3, The" in line and line.endswith("version") for line in lines)
    assert max(map(len, lines)) <= 80


def test_the_time_of_a_cue_stays_where_its_words_are_cut() -> None:
    """In how long it comes is what a player looks for; what is cut is what it does."""
    cue = NextCue("bar 17 beat 3.5", "the second synthesizer", "control 74 value 40, channel 1", 8.0)
    for width in (80, 60, 40):
        (line,) = (line for line in shown(replace(ROLLING, next_cue=cue), width) if " cue " in f" {line} ")
        assert line.endswith("…, in 0:08")
        assert len(line) <= width


def test_why_a_port_is_missing_is_shown_whole_where_there_are_rows_for_it() -> None:
    """The end of the reason says what to do; with few rows it is cut, and one row stays for each port."""
    why = "no output of the system matches 'Frnt USB*'; near: 'Front USB:Front USB MIDI 1 24:0', plug it in"
    status = Status(ports=(PortStatus("front", False, why), PortStatus("rack", True)))
    text = " ".join(" ".join(shown(status)).split())
    assert f"!! front MISSING: {why}" in text
    low = shown(status, 80, 6)
    assert sum("MISSING" in line for line in low) == 1 and any("…" in line for line in low)


@given(width=st.integers(1, 120), height=st.integers(0, 40))
def test_without_a_daemon_nothing_of_the_last_one_is_shown(width: int, height: int) -> None:
    """The head says that there is none, the body why, in whole words; at any size it fits."""
    why = "no daemon answers at /run/user/1000/takewright/quay.sock; start one with takewright run"
    rows = absent_screen("Lantern Quay", why, width, height)
    assert len(rows) <= height
    assert all(cell_len(row.plain) <= width for row in rows)
    if width >= 60 and height >= 10:
        lines = [row.plain for row in rows]
        assert lines[0].startswith("Lantern Quay") and lines[0].endswith(" NO DAEMON ")
        assert why.split() == " ".join(lines).partition("(")[2].partition(")")[0].split()
        assert lines[-1] == "q leaves this view"


def test_figures_are_as_written() -> None:
    """Each figure has five rows; what has no figure has none."""
    assert figures("-1.4") is not None
    assert all(len(rows) == 5 for rows in [figures(f"{digit}") or [] for digit in range(10)])
    assert len({tuple(figures(f"{digit}") or ()) for digit in range(10)}) == 10
    assert figures("1/2") is None
    assert figures("") is None


def test_a_narrow_or_low_terminal_has_words_for_figures() -> None:
    """Where there is no room for figures, bar and beat stand in words."""
    for width, height in ((80, 14), (50, 24)):
        lines = shown(ROLLING, width, height)
        assert "at      bar 17 beat 3, refrain" in lines
        assert not any("█" in line for line in lines)


def test_what_is_over_gives_way_first() -> None:
    """With few rows, takes go before ports and clock, and the worst alarm stays longest."""
    lines = shown(ROLLING, 80, 13)
    assert any("port deck is gone" in line for line in lines)
    assert any(line.startswith("clock") for line in lines)
    assert sum("take 1" in line for line in lines) < 3
    assert lines[-1].startswith("q leaves")


def test_the_connection_s_trouble_takes_the_head() -> None:
    """A daemon that is gone or silent is not shown as if it still rolled."""
    head = shown(ROLLING, note="no news for 4 s")[0]
    assert "no news for 4 s" in head and "ROLLING" not in head


def test_nothing_is_told_by_colour_alone() -> None:
    """Each coloured word is a sign or a word that says the same without its colour."""
    for state in STATES:
        for row in screen(replace(ROLLING, state=state), 80, 24):
            for span in row.spans:
                word = row.plain[span.start : span.end].strip()
                if any(colour in str(span.style) for colour in ("red", "green", "yellow")):
                    assert word in (GOOD, BAD, SIGN) or word.isupper() or word.split(":")[0].isupper(), word


_names = st.text(max_size=30) | st.sampled_from(
    ["港の夜港の夜港の夜", "Tide Table", "x" * 200, "\x1b[31mred"]
)
_statuses = st.builds(
    Status,
    session=_names,
    state=st.sampled_from(STATES),
    song=_names,
    next_song=_names,
    pass_name=_names,
    take_number=st.integers(0, 9999),
    place=st.integers(0, 99),
    places=st.integers(0, 99),
    waiting_for=_names,
    at=st.sampled_from(["", "bar 1 beat 1", "bar -1 beat 4 2/3", "bar 19999 beat 13", "there", "a b c d e"]),
    section=_names,
    left_s=st.none() | st.floats(0, 1e6),
    next_cue=st.none() | st.builds(NextCue, at=_names, machine=_names, what=_names, in_s=st.none()),
    clock_role=st.sampled_from(["", "master", "follower"]),
    tempo_bpm=st.none() | st.floats(1, 999),
    muted=st.lists(_names, max_size=5).map(tuple),
    hold=st.booleans(),
    ports=st.lists(st.builds(PortStatus, _names, st.booleans(), _names), max_size=6).map(tuple),
    takes=st.lists(st.builds(TakeStatus, _names, _names, st.integers(0, 9999)), max_size=5).map(tuple),
    alarms=st.lists(st.builds(Alarm, _names, st.sampled_from(["error"]), _names), max_size=4).map(tuple),
    log_trouble=_names,
)  # fmt: skip


@settings(max_examples=30, deadline=None)
@given(_statuses, st.integers(1, 140), st.integers(1, 50), st.sampled_from(["", "the daemon is gone"]))
def test_any_status_fits_any_terminal(status: Status, width: int, height: int, note: str) -> None:
    """The view has exactly the terminal's rows and never more than its columns, and obeys no name."""
    rows: list[Text] = screen(status, width, height, note)
    assert len(rows) == height
    for row in rows:
        assert cell_len(row.plain) <= width
        assert row.plain.isprintable()


def test_a_terminal_that_grows_shows_more() -> None:
    """Nothing that was seen on a smaller terminal is lost on a larger one."""
    many = replace(ROLLING, ports=tuple(PortStatus(f"port {number}") for number in range(30)))
    small, large = (" ".join(shown(many, 80, height)) for height in (24, 40))
    assert all(f"take {number}" in large for number in (11, 10, 3, 2))
    assert {word for word in small.split() if word.isalpha()} <= set(large.split())
