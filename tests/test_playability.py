"""What stands in the way of playing a drill: found, placed at its event, and rated error or warning."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coach.music.drill import Drill
from coach.music.playability import Finding, check_playability
from tests.drillfile_drafts import drill_from

HEAD = """drill: 1
title: Rope and Wheel
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 40, goal: 60}
phrases:
  - name: wheel
    bars:
"""


def drill_of(*bars: str) -> Drill:
    """A drill of one phrase; a bar is `bass | harmonics`, either may be empty."""
    text = HEAD
    for bar in bars:
        bass, _, harmonics = bar.partition("|")
        lines = [
            f"{layer}: {line.strip()}"
            for layer, line in (("bass", bass), ("harmonics", harmonics))
            if line.strip()
        ]
        text += "      - " + "\n        ".join(lines) + "\n"
    return drill_from(text)


def only(findings: list[Finding]) -> Finding:
    assert len(findings) == 1, findings
    return findings[0]


def with_note(drill: Drill, **changes: object) -> Drill:
    """The drill with its first harmonic's note changed, as an importer might have built it."""
    phrase = drill.phrases[0]
    bar = phrase.bars[0]
    index = next(i for i, event in enumerate(bar.events) if event.notes[0].is_harmonic)
    event = bar.events[index]
    changed = replace(event, notes=(replace(event.notes[0], **changes), *event.notes[1:]))  # type: ignore[arg-type]
    events = (*bar.events[:index], changed, *bar.events[index + 1 :])
    return replace(drill, phrases=(replace(phrase, bars=(replace(bar, events=events), *phrase.bars[1:])),))


def test_the_drill_of_the_format_has_nothing_in_its_way() -> None:
    drill = drill_of(
        "1 E:0 for 4 | 1 G:<7>?+D:<7>, 2& G:<5>, 3& D:<3.2>, 4& G:<4>",
        "1 E:3 for 3, 4 A:0 | 1 D:<5>, 2 D:<4>, 3 D:<3.2>",
    )
    assert check_playability(drill) == []


def test_a_string_that_a_written_hold_still_needs_is_an_error() -> None:
    finding = only(check_playability(drill_of("1 E:1 for 4 | 2 E:<7>")))
    assert (finding.severity, finding.phrase, finding.bar, finding.layer, finding.event) == (
        "error",
        0,
        0,
        "harmonics",
        1,
    )
    assert finding.message == "E:<7> needs the E string while E:1 is still held there"
    assert finding.guess == "hold it for 1 beat, or play one of them on another string"


def test_a_string_that_an_unwritten_hold_still_needs_is_a_warning() -> None:
    finding = only(check_playability(drill_of("1 A:0, 4 E:0 | 2 A:<5>")))
    assert finding.severity == "warning"
    assert "while A:0 is still held there" in finding.message


def test_a_harmonic_rings_only_until_its_string_is_played_again() -> None:
    assert check_playability(drill_of("| 1 D:<7>, 2 D:<5>, 3 D:<7>")) == []


def test_a_hold_over_the_bar_line_still_needs_its_string() -> None:
    finding = only(check_playability(drill_of("1 E:0 for 6 |", "| 1 A:<7>, 2 E:<7>")))
    assert (finding.bar, finding.severity) == (1, "error")


def test_a_held_note_out_of_reach_is_a_warning() -> None:
    drill = drill_of("1 E:1 for 4 | 2 D:<7>")
    finding = only(check_playability(drill))
    assert finding.severity == "warning"
    # 864 (1/3 - (1 - 2^(-1/12))) mm, equal temperament.
    assert finding.message == "E:1 and D:<7> are 240 mm apart; a hand is assumed to reach 130 mm"


def test_reach_does_not_bind_the_plucking_hand() -> None:
    drill = drill_of("1 E:1 for 4 | 2 D:<12>")
    finding = only(check_playability(drill))
    assert finding.guess == "the plucking hand can touch that node"
    assert check_playability(with_note(drill, plucking_hand_touch=True)) == []


def test_a_let_go_note_no_longer_binds_the_hand() -> None:
    assert check_playability(drill_of("1 E:1 for 1 | 3 D:<7>")) == []


def test_an_open_string_does_not_bind_the_hand() -> None:
    assert check_playability(drill_of("1 E:0 for 4 | 2 D:<12>")) == []


def test_a_move_faster_than_the_hand_is_a_warning_with_its_distance_and_time() -> None:
    drill = drill_of("| 1 D:<12>, 1e D:<2.7>")
    finding = only(check_playability(drill))
    assert finding.severity == "warning"
    # 864 (1/2 - 1/7) mm in a quarter of a beat at 60 bpm.
    assert "the move from D:<12> to D:<2.7> is 309 mm in 250 ms at 60 bpm" in finding.message
    assert check_playability(replace(drill, tempo=replace(drill.tempo, goal_bpm=40, start_bpm=30))) == []


def test_findings_come_in_order_and_stand_at_their_bar() -> None:
    drill = drill_of("1 E:1 for 4 | 2 E:<7>", "| 1 D:<5>", "1 A:0, 4 E:0 | 2 A:<5>")
    findings = check_playability(drill)
    assert [each.bar for each in findings] == [0, 2]
    for each in findings:
        event = drill.phrases[each.phrase].bars[each.bar].events[each.event]
        assert event.layer == each.layer


@pytest.mark.parametrize(
    ("bass", "harmonics", "message"),
    [
        # Each is impossible to any player.
        ("1 E:3(2) for 2", "1 A:<5>(2)+D:<5>(2)", "finger 2 is needed at E:3 and at A:<5> at once"),
        ("1 A:5(1) for 2", "1 D:<3.2>(2)", "finger 2 at D:<3.2> would be behind finger 1 at A:5"),
        ("1 E:0", "1 G:<24>(touch)", "the plucking hand touches G:<24> and can't play E:0 at the same time"),
        ("1 E:3(1) for 2", "1 G:<5>(2)+D:<4>", "E:3, D:<4>, G:<5>: no finger is left"),
    ],
)
def test_what_two_hands_cannot_do_is_an_error(bass: str, harmonics: str, message: str) -> None:
    finding = only(check_playability(drill_of(f"{bass} | {harmonics}")))
    assert finding.severity == "error"
    assert finding.message.startswith(message)


@pytest.mark.parametrize(
    ("bass", "harmonics"),
    [
        ("1 E:3(1) for 2", "1 A:<5>(3)+D:<5>(3)"),
        ("1 E:3(1) for 2", "1 A:<5>(3)+D:<5>(4)"),
        ("1 E:3(T) for 2", "1 A:<3.2>(1)"),
        ("1 E:0 for 2", "2 G:<24>(touch)"),
        ("1 E:3(2) for 1", "2 A:<5>(2)"),
        ("1 E:3(1) for 2", "1 G:<5>(3)+D:<4>(2)"),
        ("1 E:3 for 2", "1 G:<5>+D:<4>"),
    ],
)
def test_what_two_hands_can_do_is_no_error(bass: str, harmonics: str) -> None:
    assert check_playability(drill_of(f"{bass} | {harmonics}")) == []


def test_a_warning_of_reach_names_the_fingers() -> None:
    finding = only(check_playability(drill_of("1 E:1(1) for 2 | 1 G:<5>(4)")))
    assert finding.severity == "warning"
    assert finding.message.startswith("E:1 (finger 1) and G:<5> (finger 4) are")


def test_a_harmonic_left_ringing_a_semitone_beside_the_next_is_warned_of() -> None:
    # Partial 5 of D is F#, partial 4 of G is G, a semitone apart (harmonic series).
    finding = only(check_playability(drill_of("1 E:0 for 4 | 1 D:<4>, 3 G:<5>")))
    assert finding.severity == "warning"
    assert "D:<4> (F#4) still rings 2 beats later, a semitone from G:<5> (G4)" in finding.message
    assert finding.event == 1, "D:<4>, where it can be stopped"
    assert finding.guess.startswith("stop it: `for 2 damp`")


@pytest.mark.parametrize(
    ("onset", "shown"),
    [
        ("1&", "1/2 of a beat"),
        ("1+1/3", "1/3 of a beat"),
        ("2", "1 beat"),
        ("3&", "2.5 beats"),
        ("3+1/3", "2+1/3 beats"),
    ],
)
def test_how_long_a_harmonic_rings_is_said_in_beats_that_can_be_counted(onset: str, shown: str) -> None:
    finding = only(check_playability(drill_of(f"1 E:0 for 4 | 1 D:<4>, {onset} G:<5>")))
    assert f"still rings {shown} later" in finding.message


@pytest.mark.parametrize(
    "harmonics",
    [
        "1 D:<4> for 2 damp, 3 G:<5>",
        "1 D:<4> ring, 3 G:<5>",
        "1 D:<4>, 2 D:<5>, 3 G:<5>",
        "1 D:<4>+G:<5>",
        "1 D:<4>, 3 G:<4>",
    ],
    ids=["damped", "meant", "played on", "struck together", "a fourth"],
)
def test_what_is_stopped_meant_or_further_away_rubs_nothing(harmonics: str) -> None:
    assert check_playability(drill_of(f"1 E:0 for 4 | {harmonics}")) == []
