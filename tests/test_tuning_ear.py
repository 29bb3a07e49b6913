"""Tuning by ear: what is heard of a pair or a string, in words; files, what is kept, and the screen."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from coach.cli import main
from coach.folder.own_strings import keep_strings, may_become_own
from coach.folder.settings import load_settings
from coach.listen.beats import Beats
from coach.listen.open_string import MeasuredString
from coach.listen.turn import pair_turn, string_turn, turned_string
from coach.sound.capture import CaptureState, CaptureStatus
from coach.sound.wav import write_wav
from coach.strings.instrument import Instrument
from coach.strings.own import on_own
from coach.strings.ready_made import ready_made
from coach.strings.tuning import Heard, adjacent_pairs, goal_hz, usual_reference
from coach.tui.glyphs import capital_rows
from coach.tui.tuning_view import TuningView, draw_tuning
from tests.screens import picture_text
from tests.test_afar import PREFERRED, minutes_of_arc, shown_size
from tests.test_tui_screens import running, screen_text

BASS, VIOLIN, GUITAR = (ready_made(name) for name in ("bass", "violin", "guitar"))
E_A, A_D, D_G = adjacent_pairs(BASS)
RATE = 48_000


def heard(difference_hz, middle_hz=220.0, error_hz=0.01, certainty=0.99) -> Beats:
    return Beats(middle_hz - difference_hz / 2, middle_hz + difference_hz / 2, error_hz, certainty)


def test_a_fretted_pair_is_to_beat_as_equal_temperament_leaves_it_and_fifths_are_pure():
    """4 x 41.2034 to 3 x 55 Hz and so on (ISO 16); that fifths are tuned pure is common practice, no source."""
    goals = [goal_hz(BASS, pair) for pair in (E_A, A_D, D_G)]
    assert goals == pytest.approx([0.1862, 0.2486, 0.3318], abs=1e-3)
    assert [goal_hz(VIOLIN, pair) for pair in adjacent_pairs(VIOLIN)] == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("difference_hz", "peg"),
    [(2.25, "D DOWN 15.7 CENTS"), (-1.75, "D UP 15.8 CENTS"), (0.25, "IN TUNE"), (0.28, "IN TUNE")],
)
def test_the_peg_is_turned_until_the_beat_is_the_one_that_is_wanted(difference_hz, peg):
    """1200 log2 of the wanted against the heard frequency: 220.249 against 222.25 Hz, say."""
    turn = pair_turn(BASS, A_D, 3, heard(difference_hz, 220.0 + difference_hz / 2))
    assert turn.peg == peg
    assert turn.sure
    assert turn.goal == "GOAL 0.25 BEATS/S"
    assert turn.in_tune is (peg == "IN TUNE")


@pytest.mark.parametrize("name", ["bass", "double-bass"])
def test_without_frets_only_fifths_are_pure_and_fourths_beat_as_with_frets(name):
    """A fretless bass plays with others in equal temperament (common practice, no source; double basses vary)."""
    fretless = replace(ready_made(name), fretted=False)
    assert [goal_hz(fretless, pair) for pair in adjacent_pairs(fretless)] == pytest.approx(
        [0.1862, 0.2486, 0.3318], abs=1e-3
    )
    assert usual_reference(fretless) == 3


def test_the_string_further_from_the_reference_is_turned():
    """A violin is tuned from its A: D and G move against it downwards, E upwards."""
    assert usual_reference(VIOLIN) == 1
    turned = [turned_string(VIOLIN, pair, 1) for pair in adjacent_pairs(VIOLIN)]
    assert [VIOLIN.string_label(string) for string in turned] == ["G", "D", "E"]
    # D4 and A4 meet at 880 Hz; the lower one is flat by 1200 log2(880 / 878), 3.9 cents.
    turn = pair_turn(VIOLIN, adjacent_pairs(VIOLIN)[1], 1, heard(2.0, 879.0))
    assert turn.peg == "D UP 3.9 CENTS"
    assert turn.goal == "GOAL: NO BEAT"


def test_below_what_the_sound_allows_it_is_not_sure():
    turn = pair_turn(BASS, A_D, 3, heard(0.3, error_hz=0.08))
    assert turn.heard == "NOT SURE"
    assert not turn.sure
    assert "about 0.3 beats a second, give or take 0.1" in turn.sentence
    assert pair_turn(BASS, A_D, 3, None).heard == ""


def test_where_the_way_is_not_known_it_says_how_to_find_out():
    unclear = pair_turn(BASS, A_D, 3, heard(2.0, certainty=0.5))
    assert unclear.peg.startswith("D +/- ")
    assert "back if it beats faster" in unclear.sentence
    assert unclear.cents is None
    right = pair_turn(BASS, A_D, 3, heard(0.25, certainty=0.5))
    assert right.peg == "IN TUNE?"
    assert "In tune if D is the sharp one" in right.sentence
    # On guitars G and B are to beat 7.8 times a second, B sharp of G: whichever is sharp at 2 beats, B goes up.
    g_b = adjacent_pairs(GUITAR)[3]
    slow = pair_turn(GUITAR, g_b, 5, heard(2.0, 987.0, certainty=0.5))
    assert goal_hz(GUITAR, g_b) == pytest.approx(7.778, abs=0.01)
    assert slow.peg.startswith("B UP")
    assert "which way is not clear" not in slow.sentence


def test_one_tone_is_not_in_tune_since_one_string_may_be_silent():
    one = Beats(880.0, 880.0, math.inf, 0.5, one_tone=True)
    turn = pair_turn(VIOLIN, adjacent_pairs(VIOLIN)[1], 1, one)
    assert "either only one string rings, or both agree" in turn.sentence
    assert not turn.in_tune


@pytest.mark.parametrize(
    ("hz", "line", "peg"),
    [
        (55.5, "15.7 CENTS SHARP", "A DOWN"),
        (54.9, "3.2 CENTS FLAT", "A UP"),
        (55.01, "+0.3 CENTS", "IN TUNE"),
    ],
)
def test_a_string_is_told_its_cents_against_its_pitch(hz, line, peg):
    """1200 log2(f / 55)."""
    turn = string_turn(BASS, 2, MeasuredString(hz, 3e-4, 0.2, 9))
    assert (turn.heard, turn.peg) == (line, peg)
    assert string_turn(BASS, 2, MeasuredString(hz, 3e-4, 5.0, 3)).heard == "NOT SURE"


def plucked(hz: float, b: float, seconds: float, partials=range(1, 16)) -> np.ndarray:
    """A stiff string: m f0 sqrt(1 + B m^2) (Fletcher 1964), higher partials softer and sooner gone."""
    times = np.arange(round(seconds * RATE)) / RATE
    return sum(
        0.2
        / m
        * np.exp(-0.4 * (1 + m / 4) * times)
        * np.sin(2 * np.pi * m * hz * math.sqrt(1 + b * m * m) * times + m)
        for m in partials
    )


def wav(path, sound):
    noise = np.random.default_rng(7).normal(0, 1e-4, len(sound))
    write_wav(str(path), [(sound + noise).astype(np.float32)], RATE)
    return str(path)


def open_strings(folder) -> str:
    """One pluck of each open string of a bass, the lowest first, with pauses."""
    pluck = [(41.3, 4e-4), (54.9, 3e-4), (73.5, 2e-4), (98.0, 2e-5)]
    gap = np.zeros(RATE // 2)
    return wav(
        folder / "open.wav", np.concatenate([each for hz, b in pluck for each in (plucked(hz, b, 3), gap)])
    )


def test_a_recorded_pair_is_told_as_text_and_as_json(tmp_path, capsys):
    traces = 0.02 * (plucked(55.0, 0, 4) + plucked(74.0, 0, 4))
    take = wav(
        tmp_path / "pair.wav", plucked(55.0, 0, 4, [4, 8]) * 4 + plucked(74.0, 0, 4, [3, 6]) * 3 + traces
    )
    arguments = ["tune", "--listen", "--from", take, "--pair", "A-D", "--folder", str(tmp_path)]
    assert main(arguments) == 0
    # 3 x 74 less 4 x 55 Hz; the higher string has to come down to 220.249 Hz.
    assert (
        "2.00 beats a second. It should beat 0.25 a second. Turn D down by 13.7 cents."
        in capsys.readouterr().out
    )
    assert main([*arguments, "--json"]) == 0
    row = json.loads(capsys.readouterr().out)
    assert row["beats_hz"] == pytest.approx(2.0, abs=0.01)
    assert row["higher_is_sharp"] is True


def test_one_pluck_of_each_string_is_kept_with_the_own_instrument_and_tune_reckons_with_it(tmp_path, capsys):
    settings = tmp_path / "settings.yaml"
    settings.write_text("# mine\ninstruments:\n  - {strings: [G2, D2, A1, E1], scale_mm: 864, name: jazz}\n")
    take = open_strings(tmp_path)
    assert main(["tune", "--listen", "--from", take, "--tone", "all", "--folder", str(tmp_path)]) == 0
    said = capsys.readouterr()
    assert "Turn E down by 4.1 cents." in said.out
    assert "saved with your instrument" in said.err
    (mine,) = load_settings(settings).instruments
    assert [string.stiffness_b for string in mine.strings] == pytest.approx([2e-5, 2e-4, 3e-4, 4e-4], rel=0.1)
    assert [mine.measured_hz(string) for string in range(4)] == pytest.approx(
        [98.0, 73.5, 54.9, 41.3], abs=0.02
    )
    assert main(["tune", "--folder", str(tmp_path), "--json"]) == 0
    low, high = json.loads(capsys.readouterr().out)["stiffness"]["E1"]
    assert low < 4e-4 < high < 1.8 * low
    assert "# mine" in settings.read_text()


def test_nothing_is_kept_of_strings_that_were_not_all_heard_or_are_nobodys(tmp_path):
    settings = tmp_path / "settings.yaml"
    one = BASS.with_measured(0, 98.0, 1e-4)
    assert not keep_strings(settings, one)
    for string, hz in enumerate((98.0, 73.4, 55.0, 41.2)):
        one = one.with_measured(string, hz, 1e-4)
    assert not keep_strings(settings, one)
    assert not settings.exists()


def test_who_named_no_instrument_may_keep_what_was_heard_as_their_own(tmp_path):
    settings = tmp_path / "settings.yaml"
    one = BASS
    for string, hz in enumerate((98.0, 73.4, 55.0, 41.2)):
        assert not may_become_own(load_settings(settings).instruments, one)
        one = one.with_measured(string, hz, 1e-4)
    assert may_become_own(load_settings(settings).instruments, one)
    assert keep_strings(settings, one, as_own=True)
    (mine,) = load_settings(settings).instruments
    assert [mine.measured_hz(string) for string in range(4)] == pytest.approx(
        [98.0, 73.4, 55.0, 41.2], abs=0.02
    )
    assert not may_become_own(load_settings(settings).instruments, one)


def test_save_makes_what_a_recording_says_of_all_strings_the_players_own(tmp_path, capsys):
    take = open_strings(tmp_path)
    settings = tmp_path / "settings.yaml"
    arguments = ["tune", "--listen", "--from", take, "--tone", "all", "--folder", str(tmp_path)]
    assert main(arguments) == 0
    assert "--save makes this one yours" in capsys.readouterr().err
    assert not settings.exists()
    assert main([*arguments, "--save"]) == 0
    assert capsys.readouterr().err == f"saved with your instrument in {settings}\n"
    (mine,) = load_settings(settings).instruments
    assert [mine.measured_hz(string) for string in range(4)] == pytest.approx(
        [98.0, 73.5, 54.9, 41.3], abs=0.02
    )
    assert [string.stiffness_b for string in mine.strings] == pytest.approx([2e-5, 2e-4, 3e-4, 4e-4], rel=0.1)
    for wrong in (["--tone", "E"], ["--pair", "E-A"]):
        assert main(["tune", "--listen", "--from", take, *wrong, "--save", "--folder", str(tmp_path)]) == 2
        assert "--save: needs --listen --from FILE.wav --tone all" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--from", "none.wav"], "none.wav"),
        (["--from", "OPEN", "--tone", "all"], "no pluck is the open G string, near 98.0 Hz after 0.0 s"),
    ],
)
def test_a_recording_that_cannot_be_used_is_told(tmp_path, capsys, arguments, words):
    take = wav(tmp_path / "open.wav", plucked(55, 3e-4, 2))
    arguments = [take if word == "OPEN" else word for word in arguments]
    assert main(["tune", "--listen", *arguments, "--folder", str(tmp_path)]) == 1
    assert words in capsys.readouterr().err


def test_strings_that_never_ring_together_are_no_pair(tmp_path, capsys):
    take = open_strings(tmp_path)
    for pair in ("E-A", "A-D", "D-G"):
        assert main(["tune", "--listen", "--from", take, "--pair", pair, "--folder", str(tmp_path)]) == 0
        assert "Only one of the two strings is heard: let both ring together" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--tone", "A"], "take.wav: A is not heard (what is heard is D)"),
        (["--pair", "E-A"], "take.wav: E and A are not heard together (what is heard is D)"),
    ],
)
def test_a_recording_of_another_string_says_which_one_is_heard(tmp_path, capsys, options, says):
    take = wav(tmp_path / "take.wav", plucked(73.42, 2e-4, 3))
    assert main(["tune", "--listen", "--from", take, *options, "--folder", str(tmp_path)]) == 1
    assert says in capsys.readouterr().err


def test_a_recording_of_noise_says_that_no_open_string_is_heard(tmp_path, capsys):
    take = wav(tmp_path / "take.wav", np.random.default_rng(2).normal(0, 0.1, 3 * RATE))
    assert main(["tune", "--listen", "--from", take, "--tone", "E", "--folder", str(tmp_path)]) == 1
    assert "take.wav: E is not heard (no open string is; pluck" in capsys.readouterr().err


def test_music_is_no_take_of_open_strings(tmp_path, capsys):
    """A scale of E flat, whose notes are none of a bass's open strings."""
    scale = [77.8 * 2 ** (step / 12) for step in (0, 2, 5, 7, 9, 12)]
    take = wav(tmp_path / "scale.wav", np.concatenate([plucked(hz, 1e-4, 1) for hz in scale]))
    assert main(["tune", "--listen", "--from", take, "--tone", "all", "--folder", str(tmp_path)]) == 1
    assert "something else begins than one pluck of each open string" in capsys.readouterr().err


def test_a_retuned_string_is_not_taken_for_the_one_that_was_heard():
    mine = BASS
    for string, hz in enumerate((98.0, 73.4, 55.0, 41.2)):
        mine = mine.with_measured(string, hz, 1e-4)
    drop_d = on_own(Instrument.of(["G2", "D2", "A1", "D1"], 864), [mine])
    assert [string.measured_cents is None for string in drop_d.strings] == [False, False, False, True]


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (160, 45)])
@pytest.mark.parametrize("plain", [False, True])
def test_what_to_turn_is_readable_at_two_metres(size, plain):
    """20 minutes of arc for a capital (ISO 9241-303, see test_afar.py), also for the longest lines."""
    columns, rows = size
    pairs = adjacent_pairs(BASS)
    turns = [
        pair_turn(BASS, A_D, 3, heard(10.25, 219.0)),
        pair_turn(BASS, A_D, 3, heard(0.3, error_hz=0.2)),
        pair_turn(BASS, A_D, 3, heard(12.0, certainty=0.5)),
        string_turn(BASS, 2, MeasuredString(52.0, 3e-4, 0.2, 9)),
    ]
    for turn in turns:
        view = TuningView(Heard(BASS, pairs, index=1), [3, 2, 1, 0], 1, "listening: desk", turn)
        lines = picture_text(draw_tuning, columns, rows - 1, view, plain=plain).splitlines()
        for text in ("A<5> D<7>", turn.heard, turn.peg, turn.goal):
            if text:
                shown = shown_size(lines, text, plain)
                assert shown is not None, text
                assert minutes_of_arc(capital_rows(shown), rows) >= PREFERRED, text
        assert turn.sentence in " ".join(" ".join(lines).split())
        assert "[A-D]" in lines[-1]


async def test_the_screen_lists_pairs_and_strings_and_hears_both(tmp_path):
    async with running(tmp_path) as (app, pilot, player):
        await pilot.press("t", *["down"] * 3)
        assert "E open             " in screen_text(app)
        assert "41.20 Hz" in screen_text(app)
        await pilot.press("h")
        assert player.played == 1


async def test_the_screen_says_what_the_microphone_does_and_is_off_until_asked(tmp_path, monkeypatch):
    started = []

    class Silent:
        listening = False
        status = CaptureStatus(CaptureState.NONE, why="no microphone or other input found")

        def __init__(self, name, **more):
            started.append(name)

        def start(self): ...

        def stop(self):
            started.clear()

    monkeypatch.setattr("coach.tui.tuning_screen.Capture", Silent)
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("t")
        assert started == []
        await pilot.press("m")
        assert started == [""]
        assert "not listening: no microphone or other input found" in screen_text(app)
        await pilot.press("m")
        assert started == []
        await pilot.press("m", "escape")
        assert started == []


async def test_what_rang_before_a_row_was_chosen_says_nothing_of_it(tmp_path, monkeypatch):
    asked, clock = [], [100.0]

    class Asked:
        listening, rate_hz = True, 48_000
        status = CaptureStatus(CaptureState.LISTENING, "Desk")

        def __init__(self, name, **more): ...

        def start(self): ...

        def stop(self): ...

        def last(self, seconds):
            asked.append(seconds)

    monkeypatch.setattr("coach.tui.tuning_screen.Capture", Asked)
    monkeypatch.setattr("coach.tui.tuning_screen.now_s", lambda: clock[0])
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("t", "m")
        look = app.screen._look
        look()
        assert asked == [3.0]
        await pilot.press("down")
        asked.clear()
        for clock[0] in (101.0, 102.0, 104.0):
            look()
        assert asked == [2.0, 3.0]
