"""A whole session file: all problems at once, none that only follows from another, warnings and notes."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.errors import ExitCode, SessionError
from runner.session.load import load_session
from runner.session.model import Session
from runner.session.not_yet import NOT_YET, NotYet, not_yet
from runner.session.set_aside import Remainder, set_aside
from runner.session.wording import known_keys, near_match

CORPUS = Path(__file__).parents[2] / "corpus" / "sessions"

GOOD = """session: Tide Table, rehearsal
format: 1
ports: {front: {match: "Front*"}, pedal: {match: "*Foot*", direction: in}}
machines:
  drums: {port: front, channel: 10, follows: [clock, transport]}
  bass: {port: front, channel: 2}
songs:
  - song: Ropewalk
    tempo: 112
    length: 32 bars
    sections: {refrain: 17}
    cues:
      - {at: bar 1, machine: bass, program: 12}
      - {at: refrain, machine: drums, stop: true}
  - song: Tide Table
    tempo: 88
    length: 16 bars
order: [Tide Table, Ropewalk]
"""


def problems(text: str) -> list[str]:
    """Return the problems of a session, without the file's name."""
    with pytest.raises(SessionError) as caught:
        load_session(text, "f")
    return [str(problem).removeprefix("f:") for problem in caught.value.problems]


def changed(*changes: tuple[str, str]) -> str:
    """Return the good session with some texts replaced."""
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def test_good_session_loads_without_a_word() -> None:
    """A session that is fine gives neither warnings nor notes, and keeps its text."""
    loaded = load_session(GOOD, "f")
    assert loaded.notices == []
    assert loaded.text == GOOD
    assert [song.song for song in loaded.session.songs] == ["Ropewalk", "Tide Table"]


def test_text_and_bytes_load_alike() -> None:
    """A session may be given as text or as the bytes of its file."""
    assert load_session(GOOD).session == load_session(GOOD.encode()).session


def test_error_has_the_exit_code_of_a_bad_session() -> None:
    """A refused session ends a command with exit code 2 and a text of all its problems."""
    with pytest.raises(SessionError) as caught:
        load_session(changed(("112", "1120"), ("bass, program", "bas, program")), "f")
    assert caught.value.exit_code == ExitCode.USAGE
    assert str(caught.value).count("\n") == 1


def test_wrong_values_do_not_hide_wrong_names() -> None:
    """Everything is told at once, whether it is found in a value or in what it refers to."""
    text = changed(
        ("tempo: 112", "tempo: fast"),
        ("channel: 2}", "channel: 20}"),
        ("machine: bass", "machine: base"),
        ("at: refrain", "at: refrian"),
        ("length: 16 bars", "lenght: 16 bars"),
        ("[Tide Table, R", "[Tide Tabel, R"),
    )
    found = problems(text)
    assert [line.split(": ")[1] for line in found] == [
        "machines.bass.channel",
        "songs[0].tempo",
        "songs[0].cues[0].machine",
        "songs[0].cues[1].at",
        "songs[1].lenght",
        "order[0]",
    ]


def test_indices_count_as_in_the_file_when_items_are_set_aside() -> None:
    """A refused cue does not shift the numbers of those after it."""
    cues = "- {at: bar 1, machine: bass, program: 300}\n      - {at: bar 1, machine: bas, program: 3}\n      "
    text = changed(("- {at: bar 1, machine: bass", cues + "- {at: bar 99, machine: bass"))
    assert [line.split(": ")[1] for line in problems(text)] == [
        "songs[0].cues[0].program",
        "songs[0].cues[1].machine",
        "songs[0].cues[2].at",
    ]


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ('front: {match: "Front*"}', "front: {match: 1}", "ports.front.match"),
        ('front: {match: "Front*"}', "front: 3", "ports.front"),
        ("ports: {front", "ports: {1: {create: x, raw: 1}, front", "ports.1.raw"),
        ("bass: {port: front, channel: 2}", "bass: {channel: 2}", "machines.bass"),
        ("bass: {port: front, channel: 2}", "bass: front", "machines.bass"),
        ("song: Ropewalk", "song: [Ropewalk]", "songs[0].song"),
        ("length: 32 bars", "length: long", "songs[0].length"),
        ("length: 32 bars", "length: 32 bars\n    meter: 4/3", "songs[0].meter"),
        ("sections: {refrain: 17}", "sections: {refrain: 0}", "songs[0].sections.refrain"),
        ("sections: {refrain: 17}", "sections: {refrain: 17}\n    lead: 2", "songs[0].lead"),
        ("session: Tide Table, rehearsal", "session: 12", "session"),
        ("format: 1", "format: 3", "format"),
        ("format: 1", "format: 1\ntakes: {pass: [1]}", "takes.pass"),
        ("order: [Tide Table, Ropewalk]", "order: [Tide Table, 3]", "order[1].song"),
    ],
)
def test_one_wrong_value_gives_one_problem(old: str, new: str, path: str) -> None:
    """What refers to something that could not be read is not reported as wrong."""
    found = problems(changed((old, new)))
    assert len(found) == 1, found
    assert f": {path}: " in found[0]


def test_a_misspelt_key_is_one_problem_and_a_missing_one_another() -> None:
    """What an unknown key was most likely meant to be is not told as missing too; anything else is."""
    one = problems(changed(("tempo: 112", "tmepo: 112")))
    assert len(one) == 1 and "unknown key, got tmepo (did you mean tempo?)" in one[0]
    two = problems(changed(("tempo: 112", "colour: red")))
    assert [line.split(": ", 2)[2].split(",")[0] for line in two] == [
        "the key tempo is missing",
        "unknown key",
    ]


@pytest.mark.parametrize(
    ("numbering", "program", "words"),
    [
        ("", 200, "must be from 1 to 128: bass counts programs and banks from 1, as every machine without"),
        (
            ", numbering: from-1",
            0,
            "must be from 1 to 128: bass counts programs and banks from 1, as it says",
        ),
        (", numbering: from-0", 200, "must be from 0 to 127: bass has `numbering: from-0`"),
        (", numbering: from-0", 128, "must be from 0 to 127: bass has `numbering: from-0`"),
    ],
)
def test_a_program_beyond_the_numbering_in_force_is_told_with_its_reason(
    numbering: str, program: int, words: str
) -> None:
    """The range is the machine's (MIDI 1.0 Detailed Specification 4.2.1, p. 18: 128 programs), and why."""
    text = changed(("channel: 2}", f"channel: 2{numbering}}}"), ("program: 12}", f"program: {program}}}"))
    assert [words in line for line in problems(text)] == [True]
    to_port = changed(("machine: bass, program: 12}", "port: front, channel: 1, program: 0}"))
    assert ["cue to a port count from 1, got 0" in line for line in problems(to_port)] == [True]


def test_missing_sections_of_the_file_are_named() -> None:
    """A file without its required keys is told which are missing, and nothing else."""
    assert sorted(problems("machines: {}\n")) == [
        f"1:1: the key {key} is missing" for key in ("format", "ports", "session", "songs")
    ]


def test_problems_come_in_the_order_of_the_file() -> None:
    """Problems are sorted by line and column."""
    found = problems(
        changed(("channel: 10", "channel: 0"), ("channel: 2", "channel: 0"), ("tempo: 112", "tempo: 0"))
    )
    places = [tuple(int(number) for number in line.split(":")[:2]) for line in found]
    assert places == sorted(places)
    assert len(places) == 3


def test_very_many_problems_are_cut_short() -> None:
    """Of hundreds of problems the first hundred are told, and that there are more."""
    cues = "".join(f"      - {{at: bar {number}, machine: nobody, stop: true}}\n" for number in range(1, 301))
    found = problems(changed(("    cues:\n", "    cues:\n" + cues), ("length: 32", "length: 400")))
    assert len(found) == 101
    assert found[0].startswith("13:")
    assert found[-1].endswith("there are more problems from here on")


@pytest.mark.parametrize(
    ("name", "known", "hint"),
    [
        ("Ropewolk", ["Ropewalk", "Net Loft"], "did you mean Ropewalk?"),
        ("ropewalk", ["Ropewalk"], "did you mean Ropewalk?"),
        ("zzz", ["a", "b"], "known: a, b"),
        ("zzz", [], ""),
        ("z" * 5000, ["a"], "known: a"),
        (
            "q",
            [f"n{number}" for number in range(20)],
            "known: " + ", ".join(f"n{n}" for n in range(12)) + ", …",
        ),
    ],
)
def test_near_match(name: str, known: list[str], hint: str) -> None:
    """A misspelt name is answered with the nearest known one, or with what there is."""
    assert near_match(name, known) == hint


def test_known_keys_come_from_the_model() -> None:
    """The keys of a mapping are found by its path, also inside lists and names."""
    assert "pre-roll" in known_keys(("songs", 3))
    assert known_keys(("machines", "x", "silence")) == ["all-notes-off", "reset-controllers", "all-sound-off"]
    assert "freewheel" in known_keys(("clock", "on-dropout"))
    assert "between" in known_keys(("order", 0))
    assert "every" in known_keys(("songs", 0, "click"))
    assert known_keys(("songs", 0, "sections")) == []
    assert known_keys(("nothing",)) == []
    assert known_keys(()) == [field.alias for field in Session.model_fields.values()]


def test_two_machines_on_one_channel_are_a_warning() -> None:
    """Layering two machines is allowed, and said."""
    notices = load_session(changed(("channel: 2", "channel: 10")), "f").notices
    assert [(n.severity, n.path) for n in notices] == [("warning", "machines.bass.channel")]
    assert "drums" in notices[0].message


def test_starts_without_transport_is_a_warning() -> None:
    """Saying when a machine starts that cannot be started is pointed out."""
    notices = load_session(changed(("channel: 2", "channel: 2, starts: pre-roll")), "f").notices
    assert [(n.severity, n.path) for n in notices] == [("warning", "machines.bass.starts")]


def test_song_select_while_playing_is_a_warning() -> None:
    """Song Select is only recognised while stopped (MIDI 1.0 Detailed Specification 4.2.1, p. 29)."""
    select = "machine: bass, song-select: 3"
    at_start = load_session(changed(("bar 1, machine: bass, program: 12", "start, " + select)), "f")
    later = load_session(changed(("bar 1, machine: bass, program: 12", "bar 2, " + select)), "f")
    assert at_start.notices == []
    assert [(n.severity, n.path) for n in later.notices] == [("warning", "songs[0].cues[0].song-select")]


@pytest.mark.parametrize(
    ("first", "second", "key"),
    [
        ("offset: 1 ms", "offset: 2 ms", "offset"),
        ("starts: pre-roll", "starts: bar-1", "starts"),
        ("relay: steady", "relay: straight", "relay"),
    ],
)
def test_followers_on_one_port_must_agree(first: str, second: str, key: str) -> None:
    """Clock and transport go to a whole port, so that its followers cannot want them differently."""
    follows = "follows: [clock, transport]"
    both = changed((follows, f"{follows}, {first}"), ("channel: 2", f"channel: 2, {follows}, {second}"))
    assert [line.split(": ")[1] for line in problems(both)] == [f"machines.bass.{key}"]
    apart = both.replace("bass: {port: front", "bass: {port: rack").replace(
        "pedal: {", "rack: {create: rack}, pedal: {"
    )
    assert load_session(apart).notices == []


def test_what_is_not_acted_on_is_said_at_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each row of the table of things not yet acted on gives a note at each of its places."""
    row = NotYet(lambda session: iter([("songs", 0, "tempo"), ("order",)]), "is not yet acted on")
    monkeypatch.setattr("runner.session.not_yet.NOT_YET", (row,))
    notices = load_session(GOOD, "f").notices
    assert [str(notice) for notice in notices] == [
        "f:9:5: songs[0].tempo: is not yet acted on",
        "f:18:1: order: is not yet acted on",
    ]
    assert {notice.severity for notice in notices} == {"note"}


def test_the_table_tells_exactly_what_is_not_acted_on() -> None:
    """A session that uses every key is told each row of the table and nothing else; a plain one nothing."""
    every = load_session(CORPUS.joinpath("good", "every-key.yaml").read_bytes())
    told = not_yet(every.session, every.marks)
    assert {notice.message for notice in told} == {row.text for row in NOT_YET}
    assert all(notice.line for notice in told)
    plain = load_session(GOOD)
    assert not_yet(plain.session, plain.marks) == []


def test_whole_sessions_have_nothing_set_aside() -> None:
    """An index stays as it is where nothing was taken out."""
    assert [Remainder().index(("order",), index) for index in range(3)] == [0, 1, 2]


def test_set_aside_keeps_count_of_what_is_gone() -> None:
    """Changes of meter after those taken out are found where they stood in the file."""
    changes = ("songs", 0, "meter-changes")
    plain = {"ports": {}, "songs": [{"meter-changes": ["a", "b", "c", "d", "e"]}]}
    left, rest = set_aside(plain, [(*changes, 0), (*changes, 3, "at")])
    assert left["songs"][0]["meter-changes"] == ["b", "c", "e"]
    assert [rest.index(changes, index) for index in range(3)] == [1, 2, 4]


@pytest.mark.parametrize(
    ("old", "new", "paths"),
    [
        (
            "{at: bar 1, machine: bass, program: 12}",
            "{at: bar 99, machine: bas, program: 500}",
            ["cues[0].at", "cues[0].machine", "cues[0].program"],
        ),
        (
            "{at: bar 1, machine: bass, program: 12}",
            "{at: bar 99, machine: bas, program: 12, note: 60}",
            ["cues[0]", "cues[0].at", "cues[0].machine"],
        ),
        (
            "{at: bar 1, machine: bass, program: 12}",
            "{at: bar 1, machine: bass, progrm: 12}",
            ["cues[0].progrm"],
        ),
        (
            "{at: bar 1, machine: bass, program: 12}",
            "{at: bar 1, machine: bass, program: 500, velocity: 4}",
            ["cues[0].program", "cues[0].velocity"],
        ),
        (
            "tempo: 112",
            "tempo: fast\n    parts: [{file: a.mid, machine: bas, from: 40, transpose: 900}]",
            ["tempo", "parts[0].machine", "parts[0].from", "parts[0].transpose"],
        ),
        (
            "tempo: 112\n    length: 32 bars",
            "tempo: fast\n    length: 16 bars\n    tempo-changes: [{at: bar 20, tempo: 90}]",
            ["tempo", "tempo-changes[0].at", "sections.refrain"],
        ),
        (
            "tempo: 112",
            "tempo: 112\n    meter: 4/3\n    tempo-changes: [{at: chorus, tempo: 90}]",
            ["meter", "tempo-changes[0].at"],
        ),
        (
            "tempo: 112",
            "tempo: 112\n    click: {machine: bas, note: 200}",
            ["click.machine", "click.note"],
        ),
    ],
)
def test_one_refused_value_does_not_hide_the_others_of_its_mapping(
    old: str, new: str, paths: list[str]
) -> None:
    """A cue, part, click or song with a wrong value is still checked for names, moments and the rest."""
    assert [line.split(": ")[1].removeprefix("songs[0].") for line in problems(changed((old, new)))] == paths


@pytest.mark.parametrize(
    ("old", "new", "paths"),
    [
        (
            "tempo: 112",
            "tempo: 112\n    tempo-changes: [{at: bar 99, tempo: 90}]\n    tail: 2 bars",
            ["tempo-changes[0].at", "cues[0].at"],
        ),
        (
            "sections: {refrain: 17}",
            "sections: {verse: 2, refrain: soon, coda: 40}\n    tail: 1 bar\n"
            "    tempo-changes: [{at: bar 30, tempo: 90}, {at: refrain, tempo: 95}, {at: verse, tempo: 99}]\n"
            "    meter-changes: [{at: bar 30, meter: 3/4}]",
            ["sections.refrain", "sections.coda", "tempo-changes[2].at", "cues[0].at"],
        ),
    ],
)
def test_bars_are_counted_though_a_section_or_a_change_of_tempo_is_wrong(
    old: str, new: str, paths: list[str]
) -> None:
    """A cue beyond the song is told all the same; what means an unreadable section is not judged."""
    text = changed((old, new), ("bar 1, machine: bass", "bar 98, machine: bass"))
    assert [line.split(": ")[1].removeprefix("songs[0].") for line in problems(text)] == paths


def test_a_refused_control_or_schedule_still_names_what_is_not_there() -> None:
    """Beside the refused value, ports and songs that the file does not have are told."""
    text = GOOD + (
        "controls: [{port: pedl, when: knock, do: roll}]\n"
        "schedule: [{at: '25:00', roll: Ropewolk}]\n"
        "clock: {source: sundial, port: pedl}\n"
    )
    assert [line.split(": ")[1] for line in problems(text)] == [
        "controls[0].port",
        "controls[0].when",
        "schedule[0].at",
        "schedule[0].roll",
        "clock.source",
        "clock.port",
    ]
