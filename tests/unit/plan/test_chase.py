"""Chase: what is in force on a channel, and the messages that bring it back."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from runner.plan.chase import ChannelState, chase_groups, read_states
from runner.plan.messages import hex_text


def state(*texts: str) -> ChannelState:
    """Return the state that a channel has after these messages."""
    result = ChannelState()
    for text in texts:
        message = bytes.fromhex(text)
        result.apply(message[0], message[1], message[2] if len(message) > 2 else 0)
    return result


def chased(*texts: str, before: ChannelState | None = None) -> list[str]:
    """Return the messages that bring channel 1 to the state after `texts`."""
    groups = state(*texts).messages(1, before)
    return [hex_text(message) for group in groups for message in group]


def test_the_last_program_is_sent_with_the_bank_in_which_it_was_called() -> None:
    """Only the last program counts; its bank goes before it in one unbroken group (MIDI 1.0 4.2.1, p. 13)."""
    groups = state("B0 00 01", "B0 20 02", "C0 05", "C0 07").messages(1)
    assert [[hex_text(message) for message in group] for group in groups] == [
        ["B0 00 01", "B0 20 02", "C0 07"]
    ]


def test_a_bank_without_its_program_yet_waits_behind_the_program() -> None:
    """A bank select does not change the sound by itself (p. 13), so it is sent again after the program."""
    assert chased("C0 05", "B0 00 03") == ["C0 05", "B0 00 03"]


def test_each_controller_is_sent_once_with_its_last_value() -> None:
    """Three values of one controller leave one message."""
    assert chased("B0 07 64", "B0 0A 20", "B0 07 32") == ["B0 0A 20", "B0 07 32"]


def test_a_fine_value_follows_its_coarse_one() -> None:
    """A receiver sets the LSB to 0 when an MSB arrives (p. 12): so MSB first, and an older LSB is gone."""
    assert chased("B0 27 11", "B0 07 64", "B0 27 22") == ["B0 07 64", "B0 27 22"]
    assert chased("B0 27 11", "B0 07 64") == ["B0 07 64"]


def test_only_the_changed_fine_value_brings_its_coarse_one_unchanged() -> None:
    """Against a known past, only what differs is sent."""
    assert chased("B0 07 64", "B0 27 22", before=state("B0 07 64", "B0 27 11")) == ["B0 27 22"]


def test_a_coarse_value_that_is_sent_again_brings_its_fine_one() -> None:
    """A new MSB would set the LSB to 0, so the LSB is sent with it even though it is the same as before."""
    past = state("B0 07 10", "B0 27 22")
    assert chased("B0 07 64", "B0 27 22", before=past) == ["B0 07 64", "B0 27 22"]


def test_a_registered_parameter_is_selected_before_its_value() -> None:
    """RPN 0 set to 12 and deselected: select, data, then null again (p. 17-18)."""
    texts = ["B0 65 00", "B0 64 00", "B0 06 0C", "B0 26 00", "B0 65 7F", "B0 64 7F"]
    assert chased(*texts) == texts


def test_parameters_keep_what_is_selected_at_the_end() -> None:
    """After several parameters the one that was selected last is selected again, for Data Entry to come."""
    texts = ["B0 63 01", "B0 62 08", "B0 06 40", "B0 65 00", "B0 64 01", "B0 06 45"]
    assert chased(*texts) == [
        "B0 63 01", "B0 62 08", "B0 06 40",
        "B0 65 00", "B0 64 01", "B0 06 45",
        "B0 65 00", "B0 64 01",
    ]  # fmt: skip


def test_data_entry_without_a_selection_means_nothing() -> None:
    """Data Entry while no parameter, or the null parameter, is selected leaves no state."""
    assert chased("B0 06 40") == []
    assert chased("B0 65 7F", "B0 64 7F", "B0 06 40") == ["B0 65 7F", "B0 64 7F"]


def test_increments_are_repeated_as_they_came() -> None:
    """How much an increment adds is the machine's affair, so each is sent again."""
    texts = ["B0 65 00", "B0 64 01", "B0 06 40", "B0 60 00", "B0 60 00", "B0 61 00"]
    assert chased(*texts) == [*texts, "B0 65 00", "B0 64 01"]


def test_reset_all_controllers_does_what_rp_015_says() -> None:
    """RP-015: 1, 11, 64-67, bend and pressure go to rest; volume, pan, bank and program stay."""
    texts = [
        "C0 05",
        "B0 07 50",
        "B0 0A 20",
        "B0 01 7F",
        "B0 0B 10",
        "B0 40 7F",
        "E0 00 00",
        "D0 40",
        "B0 79 00",
    ]
    assert chased(*texts) == [
        "C0 05", "B0 07 50", "B0 0A 20", "B0 01 00", "B0 0B 7F", "B0 40 00", "D0 00", "E0 00 40",
    ]  # fmt: skip


def test_modes_come_first() -> None:
    """Local, omni, mono and poly go before everything else; the last of each kind counts."""
    assert chased("B0 07 64", "B0 7E 01", "B0 7F 00", "B0 7A 00") == ["B0 7F 00", "B0 7A 00", "B0 07 64"]


def test_notes_and_silencing_leave_no_state() -> None:
    """Notes, key pressure, all sound off and all notes off are not repeated."""
    assert chased("90 3C 40", "80 3C 40", "A0 3C 40", "B0 78 00", "B0 7B 00") == []


def test_nothing_is_sent_where_nothing_differs() -> None:
    """A chase from a state to itself is empty."""
    texts = [
        "B0 00 01",
        "B0 20 02",
        "C0 05",
        "B0 07 64",
        "E0 00 50",
        "D0 11",
        "B0 65 00",
        "B0 64 00",
        "B0 06 0C",
    ]
    assert chased(*texts, before=state(*texts)) == []


def test_channels_and_ports_are_kept_apart() -> None:
    """The same controller on two channels and two ports gives one message each, to the right place."""
    states = read_states([(0, 0xB0, 7, 1), (0, 0xB1, 7, 2), (1, 0xB0, 7, 3)])
    found = [(key, [hex_text(message) for message in group]) for key, group in chase_groups(states)]
    assert found == [((0, 0), ["B0 07 01"]), ((0, 1), ["B1 07 02"]), ((1, 0), ["B0 07 03"])]


controls = st.sampled_from(
    [0, 1, 6, 7, 11, 32, 33, 38, 39, 64, 74, 96, 97, 98, 99, 100, 101, 121, 122, 124, 126]
)
messages = st.lists(
    st.one_of(
        st.tuples(st.just(0xB0), controls, st.integers(0, 3)),
        st.tuples(st.just(0xC0), st.integers(0, 3), st.just(0)),
        st.tuples(st.just(0xD0), st.integers(0, 3), st.just(0)),
        st.tuples(st.just(0xE0), st.integers(0, 3), st.integers(0, 3)),
    ),
    max_size=40,
)


def machine(rows: list[tuple[int, int, int]]) -> dict[object, object]:
    """Return what a simple receiver holds after `rows`: an independent reading of the same rules."""
    held: dict[object, object] = {}
    selected: tuple[str, int, int] = ("rpn", 127, 127)
    for status, one, two in rows:
        if status == 0xC0:
            held["program"] = (one, held.get(0), held.get(32))
        elif status == 0xD0:
            held["pressure"] = one
        elif status == 0xE0:
            held["bend"] = (one, two)
        elif one in (98, 99, 100, 101):
            kind = "nrpn" if one < 100 else "rpn"
            old = selected if selected[0] == kind else (kind, 127, 127)
            selected = (kind, two, old[2]) if one in (99, 101) else (kind, old[1], two)
            held["selected"] = selected
        elif one in (6, 38, 96, 97):
            if selected[1:] == (127, 127):
                continue
            data = held.get(selected, (None, None, ()))
            assert isinstance(data, tuple)
            if one == 6:
                held[selected] = (two, None, ())
            elif one == 38:
                held[selected] = (data[0], two, ())
            else:
                held[selected] = (data[0], data[1], (*data[2], (one, two)))
        elif one == 121:
            for number, rest in ((1, 0), (11, 127), (64, 0)):
                if number in held:
                    held[number] = rest
                    held.pop(number + 32, None)
            if "selected" in held:
                selected = ("rpn", 127, 127)
                held["selected"] = selected
            if "bend" in held:
                held["bend"] = (0, 64)
            if "pressure" in held:
                held["pressure"] = 0
        elif one in (124, 126):
            held[f"mode {one}"] = two
        else:
            held[one] = two
            if 0 < one < 32:
                held.pop(one + 32, None)
    return held


@given(messages)
def test_a_chased_machine_holds_what_a_machine_holds_that_heard_everything(
    rows: list[tuple[int, int, int]],
) -> None:
    """A receiver that gets only the chase ends like one that heard the song so far."""
    result = ChannelState()
    for row in rows:
        result.apply(*row)
    sent = [
        (message[0], message[1], message[2] if len(message) > 2 else 0)
        for group in result.messages(1)
        for message in group
    ]
    assert machine(sent) == machine(rows)


@given(messages, messages)
def test_a_chase_from_a_known_state_ends_the_same(
    first: list[tuple[int, int, int]], second: list[tuple[int, int, int]]
) -> None:
    """Chasing only the differences to an earlier state gives what the song itself would have given."""
    past, present = ChannelState(), ChannelState()
    for row in first:
        past.apply(*row)
        present.apply(*row)
    for row in second:
        present.apply(*row)
    sent = [
        (message[0], message[1], message[2] if len(message) > 2 else 0)
        for group in present.messages(1, past)
        for message in group
    ]
    assert machine([*first, *sent]) == machine([*first, *second])


def test_going_back_resets_a_fine_value_that_was_not_there_yet() -> None:
    """From a later state back to one without the LSB, the MSB is sent again, which sets the LSB to 0."""
    assert chased("B0 07 64", before=state("B0 07 64", "B0 27 22")) == ["B0 07 64"]


def test_going_back_takes_back_a_bank_that_was_selected_for_a_later_program() -> None:
    """A bank that waits for its program is undone, or the next program would be called in it."""
    past = state("B0 00 01", "C0 05", "B0 00 03")
    assert chased("B0 00 01", "C0 05", before=past) == ["B0 00 01"]


def test_steps_without_a_value_to_start_from_are_made_from_where_the_machine_is() -> None:
    """Of relative changes only the difference is sent, forward or back."""
    once = ["B0 65 00", "B0 64 01", "B0 60 00"]
    assert chased(*once, "B0 60 00", before=state(*once)) == ["B0 65 00", "B0 64 01", "B0 60 00", *once[:2]]
    assert chased(*once, before=state(*once, "B0 60 00")) == ["B0 65 00", "B0 64 01", "B0 61 00", *once[:2]]
