"""A foot's press means one thing, once, and in play it is about the note that was due a reaction time before."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.folder.settings import SETTINGS, read_settings
from coach.midi.pedal import (
    ACTIONS,
    Foot,
    Guess,
    Moment,
    Pedals,
    Trigger,
    actions_of,
    guess_event,
    heard,
    meaning,
    trigger_of,
)
from coach.midi.settings import MidiSettings

BOUNCE_S = 0.04
ON, OFF = (0xB0, 64, 127), (0xB0, 64, 0)


def presses(events, bounce_s=BOUNCE_S, latching=False):
    """Times at which a run of (seconds, message) is a press."""
    pedals, times_s = Pedals(), []
    for at_s, message in events:
        pedals, pressed = heard(pedals, message, at_s, bounce_s, latching)
        if pressed:
            times_s.append(at_s)
    return times_s


def test_note_control_change_and_program_change_are_all_presses():
    """Status bytes of MIDI 1.0: 9n note on, Bn control change, Cn program change."""
    assert presses([(0, (0x99, 36, 100)), (1, ON), (2, (0xC3, 5))]) == [0, 1, 2]
    assert trigger_of((0x99, 36, 100)) == Trigger("note", 36, 10)
    assert trigger_of((0xC3, 5)) == Trigger("program", 5, 4)


@pytest.mark.parametrize(
    "message", [(0xF8,), (0xFE,), (0xE0, 0, 64), (0xD0, 5), (0xA0, 1, 2), (0xF0, 1, 0xF7), ()]
)
def test_other_messages_are_no_presses(message):
    assert presses([(0, message)]) == []


def test_a_release_is_no_press():
    """Note on with velocity 0 is note off (MIDI 1.0); control change below 64 is off."""
    assert presses(
        [(0, (0x90, 36, 90)), (0.2, (0x90, 36, 0)), (1, (0x90, 36, 90)), (1.2, (0x80, 36, 64))]
    ) == [0, 1]
    assert presses([(0, ON), (0.3, (0xB0, 64, 63)), (1, (0xB0, 64, 64))]) == [0, 1]


def test_a_bouncing_contact_is_one_press():
    assert presses([(0, ON), (0.004, OFF), (0.007, ON), (0.012, OFF), (0.015, ON), (0.5, OFF), (1, ON)]) == [
        0,
        1,
    ]


def test_a_held_pedal_does_not_repeat():
    held = [(index * 0.1, ON) for index in range(50)]
    moving = [(index * 0.05, (0xB0, 64, 64 + index)) for index in range(60)]
    assert presses(held) == [0]
    assert presses(moving) == [0]


def test_a_pedal_that_never_says_that_it_is_released_still_presses_again():
    assert presses([(0, ON), (1.0, ON), (2.5, ON)]) == [0, 1.0, 2.5]


def test_a_latching_switch_presses_at_either_edge():
    assert presses([(0, ON), (2, OFF), (4, ON)], latching=True) == [0, 2, 4]


@settings(max_examples=80)
@given(st.lists(st.tuples(st.floats(0, 0.2), st.integers(0, 127)), max_size=40), st.floats(0, 0.3))
def test_presses_are_never_closer_than_the_bounce_time(steps, bounce_s):
    at_s, events = 0.0, []
    for gap_s, value in steps:
        at_s += gap_s
        events.append((at_s, (0xB0, 64, value)))
    times_s = presses(events, bounce_s)
    assert all(after - before >= bounce_s for before, after in itertools.pairwise(times_s))


@pytest.mark.parametrize("text", ["cc 64", "note 36 on 10", "program 5", "cc 80 on 1 latching"])
def test_a_trigger_reads_back_as_it_is_written(text):
    assert str(Trigger.parse(text)) == text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("pedal", "is not a trigger; write 'cc 64'"),
        ("cc 200", "number is 0 to 127"),
        ("cc 64 on 17", "channel is 1 to 16"),
        ("program 5 latching", "has no off"),
    ],
)
def test_a_wrong_trigger_is_told_what_is_allowed(text, message):
    with pytest.raises(ValueError, match=message):
        Trigger.parse(text)


def test_a_binding_without_a_channel_fits_any():
    bindings = {"clean": (Trigger("cc", 64),), "choked": (Trigger("cc", 64, 2),)}
    assert actions_of(Trigger("cc", 64, 1), bindings) == ("clean",)
    assert actions_of(Trigger("cc", 64, 2), bindings) == ("clean", "choked")
    assert actions_of(Trigger("cc", 65, 2), bindings) == ()


ONSETS = {1: 4.0, 2: 5.0, 3: 6.0, 4: 7.0}


@given(label=st.integers(1, 4), reaction_s=st.floats(0.1, 0.6), slip_s=st.floats(-0.09, 0.09))
def test_the_guess_is_the_event_due_a_reaction_time_before(label, reaction_s, slip_s):
    pressed_s = ONSETS[label] + reaction_s + slip_s
    assert guess_event(ONSETS, pressed_s, reaction_s) == Guess(label, (label,))


def test_an_event_that_is_not_due_yet_is_never_guessed():
    assert guess_event(ONSETS, 4.95, 0.0) == Guess(1, (1,))
    assert guess_event(ONSETS, 3.9, 0.0) is None


def test_at_fast_rhythms_several_events_are_possible():
    fast = {label: 4 + label * 0.1 for label in range(8)}
    guess = guess_event(fast, 4.8, 0.3)
    assert guess is not None
    assert guess.label == 5
    assert guess.possible == (4, 5, 6)


def test_of_a_harmonic_and_a_bass_note_together_the_harmonic_is_guessed():
    assert guess_event({1: 4.0, 2: 4.0}, 4.3, 0.3, frozenset({2})) == Guess(2, (1, 2))


FOOT = Foot(reaction_s=0.3, dead_zone_s=0.4)
ONE_PEDAL = ("clean", "choked")


def test_one_pedal_marks_a_choke_in_play_and_rates_clean_after_it():
    assert meaning(ONE_PEDAL, Moment(True, 5.0, 7.0), FOOT) == "choked"
    assert meaning(ONE_PEDAL, Moment(False, 9.0, 7.0), FOOT) == "clean"


def test_a_press_just_after_the_last_note_is_about_that_note_and_never_a_rating():
    assert meaning(ONE_PEDAL, Moment(True, 7.6, 7.0), FOOT) == "choked"
    assert meaning(("clean",), Moment(True, 7.6, 7.0), FOOT) is None
    assert meaning(ONE_PEDAL, Moment(True, 7.8, 7.0), FOOT) == "clean"


def test_a_second_touch_within_the_dead_zone_does_not_save_the_rep():
    assert meaning(ONE_PEDAL, Moment(True, 7.75, 7.0, last_choke_s=7.5), FOOT) is None
    assert meaning(ONE_PEDAL, Moment(True, 7.95, 7.0, last_choke_s=7.5), FOOT) == "clean"


def test_other_actions_mean_what_they_mean_at_any_time():
    for action in ("again", "slower", "faster", "pause", "next"):
        assert meaning((action,), Moment(True, 5.0, 7.0), FOOT) == action
        assert meaning((action,), Moment(False), FOOT) == action


@given(
    bound=st.lists(st.sampled_from(ACTIONS), max_size=3, unique=True),
    playing=st.booleans(),
    at_s=st.floats(0, 20),
    last_s=st.floats(0, 20),
)
def test_a_press_never_means_clean_before_the_dead_zone_is_over(bound, playing, at_s, last_s):
    action = meaning(bound, Moment(playing, at_s, last_s), FOOT)
    assert action is None or action in bound
    if playing and at_s < last_s + 0.7:
        assert action != "clean"


def test_bindings_read_back_as_they_are_written():
    written = "{clean: cc 64, choked: [cc 64, note 36 on 10], again: program 5}"
    midi = read_settings(f"midi: {{in_port: Pedal, channel: 3, bindings: {written}}}", "s").midi
    assert midi.bindings["choked"] == (Trigger("cc", 64), Trigger("note", 36, 10))
    assert midi.channel == 3
    for action, triggers in midi.bindings.items():
        kind = SETTINGS.rows["midi"].rows["bindings"].rows[action].kind
        assert f"{action}: {kind.write(triggers)}" in written


def test_defaults_are_general_midi_percussion():
    """General MIDI: percussion on channel 10, keys 76 and 77 are the high and low wood block."""
    plain = MidiSettings()
    assert (plain.channel, plain.accent_key, plain.beat_key) == (10, 76, 77)
