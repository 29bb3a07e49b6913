"""A drill file's text becomes a drill: notation, defaults, ids, repeats, order."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from coach.ground.problem import CoachError
from coach.music.drill import Drill, Event
from coach.music.excerpt import whole_phrase, whole_piece
from coach.music.passages import passage_of
from coach.score.beats import read_beat, read_beats, write_beat, write_beats
from coach.score.edit import with_ids
from coach.score.load import load_drill, read_drill, read_reading
from coach.score.music import cents_beside, sounding_note
from coach.score.write import write_drill
from coach.strings.node import Node
from tests.drillfile_drafts import DRILLS, drill_from

HEAD = """drill: 1
title: A Test
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 44, goal: 76}
"""


def test_a_key_lasts_to_the_next_one_or_the_end_of_its_phrase() -> None:
    text = """phrases:
  - {name: one, bars: [{bass: "1 E:4"}, {key: f# minor, bass: "1 E:4=G#1"}, {bass: "1 E:4=Ab1"}]}
  - {name: two, bars: [{bass: "1 E:4"}]}
"""
    drill = drill_from(f"{HEAD}key: Eb major\n{text}")
    keys = [bar.key for phrase in drill.phrases for bar in phrase.bars]
    assert [str(key) for key in keys] == ["Eb major", "F# minor", "F# minor", "Eb major"]
    again = drill_from(write_drill(drill))
    assert again.phrases == drill.phrases
    assert [note.asserted for phrase in again.phrases for bar in phrase.bars for event in bar.events
            for note in event.notes] == ["", "G#1", "Ab1", ""]  # fmt: skip
    assert drill.revision == drill_from(f"{HEAD}{text}").revision


def bars_of(*bars: str, head: str = HEAD) -> Drill:
    lines = "".join("      - " + bar.replace("\n", "\n        ") + "\n" for bar in bars)
    return drill_from(f"{head}phrases:\n  - name: one\n    bars:\n{lines}")


def events_of(drill: Drill, bar: int = 0) -> tuple[Event, ...]:
    return drill.phrases[0].bars[bar].events


def test_a_bar_reads_as_its_notation_says() -> None:
    drill = bars_of("bass: 1 E:0 for 4\nharmonics: 1 G:<7>?+D:<7>, 2& G:<5>, 3.5 D:<3.2>, 4+1/3 A:<4>=C#4")
    bass, pair, fifth, hard, thirds = events_of(drill)
    assert (bass.layer, bass.beat, bass.hold, bass.hold_written) == ("bass", 0, 4, True)
    assert [(note.string, note.node, note.droppable) for note in pair.notes] == [
        (0, Node(1, 3), True),
        (1, Node(1, 3), False),
    ]
    assert fifth.beat == Fraction(3, 2)
    assert (hard.beat, hard.notes[0].node, hard.notes[0].written) == (Fraction(5, 2), Node(1, 6), "3.2")
    assert (thirds.beat, thirds.notes[0].asserted) == (Fraction(10, 3), "C#4")


@pytest.mark.parametrize(
    ("text", "beat"),
    [("1", 0), ("2&", Fraction(3, 2)), ("3e", Fraction(9, 4)), ("3a", Fraction(11, 4)), ("2.5", Fraction(3, 2)),
     ("2+1/3", Fraction(4, 3))],
)  # fmt: skip
def test_a_beat_is_counted_as_players_count(text: str, beat: Fraction) -> None:
    assert read_beat(text) == beat
    assert read_beat(write_beat(Fraction(beat))) == beat


@pytest.mark.parametrize(
    ("text", "beats"), [("4", 4), ("1.5", Fraction(3, 2)), ("1/2", Fraction(1, 2)), ("2+1/3", Fraction(7, 3))]
)
def test_a_hold_is_a_number_of_beats(text: str, beats: Fraction) -> None:
    assert read_beats(text) == beats
    assert read_beats(write_beats(Fraction(beats))) == beats


@pytest.mark.parametrize("text", ["", "0", "-1", "1/0", "two", "1+", "+1/2", "21/", "1.", "1/2/3"])
def test_what_is_no_number_of_beats_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"beats|divides by 0"):
        read_beats(text)


def test_a_fretted_note_is_held_until_the_next_event_of_its_layer() -> None:
    drill = bars_of("bass: 1 E:0, 3 E:3\nharmonics: 2 G:<7>", "bass: 2 A:0")
    first, _, second = events_of(drill)
    assert (first.hold, second.hold) == (2, 3)
    assert events_of(drill, 1)[0].hold == 3, "the last one holds to the end of the phrase"


def test_a_harmonic_rings_until_its_string_is_played_again_by_any_layer() -> None:
    drill = bars_of("bass: 1 E:0, 3 D:5\nharmonics: 1 G:<7>, 2 D:<5>, 4 G:<5>")
    by_beat = {(event.layer, event.beat): event for event in events_of(drill)}
    assert by_beat["harmonics", 0].hold == 3
    assert by_beat["harmonics", 1].hold == 1
    assert by_beat["harmonics", 3].hold == 1


def test_a_default_hold_crosses_a_change_of_meter_in_its_own_beats() -> None:
    drill = bars_of("bass: 3 E:0", "meter: 6/8\nharmonics: 4 G:<7>", "bass: 1 A:0")
    assert events_of(drill)[0].hold == 2 + 3, "two quarters, then six eighths, that is three quarters"
    assert events_of(drill, 1)[0].hold == 3 + 6


def test_a_hold_may_pass_the_bar_line() -> None:
    drill = bars_of("bass: 3 E:0 for 4", "harmonics: 1 G:<7>")
    assert events_of(drill)[0].hold == 4


def test_a_pickup_bar_counts_up_to_the_bar_line() -> None:
    drill = bars_of("pickup: 1.5\nharmonics: 3& G:<5>, 4 D:<5>", "harmonics: 1 G:<7>")
    bar = drill.phrases[0].bars[0]
    assert bar.length == Fraction(3, 2)
    assert [event.beat for event in bar.events] == [Fraction(5, 2), 3]
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    assert [event.onset for event in passage.events] == [0, Fraction(1, 2), Fraction(3, 2)]


def test_a_bar_that_ends_early_is_counted_from_its_first_beat_in_its_meter() -> None:
    drill = bars_of("bass: 1 E:0", "ends_after: 3\nharmonics: 3 G:<7>\nbass: 1 A:0")
    bar = drill.phrases[0].bars[1]
    assert (str(bar.meter), bar.length, bar.first_beat) == ("4/4", 3, 0)
    assert [(event.beat, event.hold) for event in bar.events] == [(0, 3), (2, 1)]
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    assert [event.onset for event in passage.events] == [0, 4, 6]
    assert passage.length == 7


def test_bars_are_numbered_as_a_score_counts_them() -> None:
    """A pick-up is bar 0, and the pieces of one bar share its number, as scores count: common practice, no source."""
    up, full, early = "{pickup: 1, b: 4 E:0}", "{b: 1 E:0}", "{ends_after: 3, b: 1 E:0}"
    phrases = [
        f"[{up}, {full}, {early}]",
        f"[{up}, {full}]",
        f"[{up}]",
        f"[{full}], first_bar: 40",
        f"[{full}]",
    ]
    lines = "".join(f"  - {{name: p{number}, bars: {bars}}}\n" for number, bars in enumerate(phrases))
    drill = drill_from(f"{HEAD}phrases:\n{lines}")
    assert [phrase.first_bar for phrase in drill.phrases] == [0, 2, 4, 40, 41]
    assert [bar.number for bar in passage_of(drill, whole_piece(drill)).bars] == [0, 1, 2, 2, 3, 4, 40, 41]
    text = write_drill(drill)
    assert text.count("first_bar") == 1
    assert drill_from(text) == drill


def test_slots_share_their_beats_evenly() -> None:
    drill = bars_of("harmonics: 2 G:<7> | - | D:<7> in 2, 4 G:<5>")
    assert [event.beat for event in events_of(drill)] == [1, 1 + Fraction(4, 3), 3]


def test_fingers_and_endings_are_read() -> None:
    drill = bars_of("bass: 1 E:3(2i) for 2 damp\nharmonics: 1 G:<24>(touch a), 2 D:<7>(4 m) ring")
    bass, touched, ringing = (event.notes[0] for event in events_of(drill))
    assert (bass.fretting_finger, bass.plucking_finger, bass.ending) == ("2", "i", "damp")
    assert (touched.plucking_hand_touch, touched.plucking_finger, touched.ending) == (True, "a", "")
    assert (ringing.fretting_finger, ringing.plucking_finger, ringing.ending) == ("4", "m", "ring")


def test_a_repeated_bar_is_written_out() -> None:
    drill = bars_of("bass: 1 E:0, 3 E:3\ntimes: 3", "bass: 1 A:0")
    assert [len(bar.events) for bar in drill.phrases[0].bars] == [2, 2, 2, 1]
    assert all(event.hold == 2 for bar in drill.phrases[0].bars[:3] for event in bar.events)


def test_a_tempo_and_a_meter_last_to_the_next_one_within_the_phrase() -> None:
    drill = drill_from(
        HEAD + "phrases:\n  - name: one\n    bars:\n      - {bass: '1 E:0', tempo: 100% to 80%, meter: 3/4}\n"
        "      - {bass: '1 E:0'}\n  - name: two\n    bars:\n      - {bass: '1 E:0'}\n"
    )
    first, second = drill.phrases[0].bars
    assert (first.start_ratio, first.stop_ratio, second.start_ratio) == (1, Fraction(4, 5), Fraction(4, 5))
    assert str(second.meter) == "3/4"
    other = drill.phrases[1].bars[0]
    assert (other.start_ratio, str(other.meter)) == (1, "4/4")


def test_compound_meter_tells_its_counted_beat() -> None:
    drill = bars_of("bass: 2 E:0", head=HEAD.replace("4/4", "6/8 in 2"))
    assert drill.tempo.beat_whole == Fraction(3, 8)
    seven = bars_of("bass: 7 E:0", head=HEAD.replace("4/4", "7/8 in 2+2+3"))
    assert seven.phrases[0].bars[0].meter.accents == (0, 2, 4)


def test_the_order_writes_repeats_out() -> None:
    text = HEAD + "phrases:\n" + "".join(
        f"  - name: {name}\n    bars: [{{bass: '1 E:0'}}]\n" for name in ("Way In", "theme", "coda")
    )  # fmt: skip
    drill = drill_from(text + "order: (Way In, theme x2) x2, coda\n")
    assert drill.order == ("way-in", "theme", "theme", "way-in", "theme", "theme", "coda")
    assert passage_of(drill, whole_piece(drill, "bass")).length == 7 * 4
    assert drill_from(text + "order: [way-in, theme x2, coda]\n").order == (
        "way-in",
        "theme",
        "theme",
        "coda",
    )


def test_a_phrase_whose_name_ends_like_a_count_can_be_ordered() -> None:
    text = HEAD + "phrases:\n" + "".join(
        f"  - name: {name}\n    bars: [{{bass: '1 E:0'}}]\n" for name in ("bars 1 to x2", "bars 1 to")
    )  # fmt: skip
    drill = drill_from(text + "order: bars-1-to-x2 x2, bars-1-to x2, bars-1-to-x2\n")
    assert drill.order == ("bars-1-to-x2",) * 2 + ("bars-1-to",) * 2 + ("bars-1-to-x2",)


def test_every_block_of_the_head_is_read() -> None:
    drill = bars_of(
        "bass: 1 E:0",
        head=HEAD.replace("tempo: {", "tempo: {beat: 1/8, ")
        + "click: {subdivision: 2, placing: offbeat, silent: 1 of 4, accent: no}\ncount_in: 2\n"
        "composer: C\ntags: [3.2, no]\nassignment: {student: Mia, goal: 70, due: 2026-12-24, note: slowly}\n",
    )
    assert (drill.click.subdivision, drill.click.placing, drill.click.accent) == (2, "offbeat", False)
    assert (drill.click.silent_bars, drill.click.silent_every, drill.count_in_bars) == (1, 4, 2)
    assert drill.assignment is not None
    assert (drill.assignment.due, drill.goal_bpm) == (date(2026, 12, 24), 70)
    assert drill.tags == ("3.2", "no"), "YAML 1.1 would make a number and a truth value of these"
    assert drill.tempo.beat_whole == Fraction(1, 8)


def test_a_string_has_a_letter_a_name_and_a_number() -> None:
    guitar = HEAD.replace("[G2, D2, A1, E1], scale_mm: 864", "[E4, B3, G3, D3, A2, E2], scale_mm: 648")
    drill = bars_of("tune: 1 E4:<12>, 2 6:<12>, 3 G:<12>, 4 G3:<7>", head=guitar)
    assert [event.notes[0].string for event in events_of(drill)] == [0, 5, 2, 2]
    drill, problems = read_drill(guitar + "phrases: [{bars: [{tune: '1 E:<12>'}]}]\n", "test.yaml")
    assert drill is None
    assert "several strings are called E" in problems[0].message
    assert problems[0].guess == "E4 or E2?"


def test_an_asserted_pitch_decides_a_fret_that_nodes_share() -> None:
    drill = bars_of("harmonics: 1 D:<3>=A4, 2 D:<3>=C5, 3 G:<8>=B4")
    assert [event.notes[0].node for event in events_of(drill)] == [Node(1, 6), Node(1, 7), Node(2, 5)]


def test_sounding_notes_agree_with_the_harmonic_series() -> None:
    # Partials 1 to 9 of a string, in semitones and cents against equal temperament: the harmonic series,
    # 1200 log2 n; cents of 3, 5, 7, 9 as in the Scala archive's harm6.scl (203.91 386.31 701.96 968.83).
    semitones = {2: 12, 3: 19, 4: 24, 5: 28, 6: 31, 7: 34, 8: 36, 9: 38}
    cents = {2: 0.0, 3: 1.955, 4: 0.0, 5: -13.686, 6: 1.955, 7: -31.174, 8: 0.0, 9: 3.910}
    for partial, interval in semitones.items():
        assert sounding_note(28, Node(1, partial)) == 28 + interval
        assert cents_beside(Node(1, partial)) == pytest.approx(cents[partial], abs=1e-3)


def test_ids_are_made_from_names_and_stay_unique() -> None:
    drill = drill_from(HEAD + "phrases:\n" + "  - {name: Über Höhe, bars: [{bass: '1 E:0'}]}\n" * 2)
    assert drill.id == "a-test"
    assert [phrase.id for phrase in drill.phrases] == ["uber-hohe", "uber-hohe-2"]


def test_inserted_ids_keep_the_drill_its_comments_and_its_layout() -> None:
    text = HEAD.replace("A Test", "A Test  # mine") + (
        "phrases:   # two\n  # first\n  - name: one\n    bars:\n      - bass: 1 E:0   # low\n"
        "  - {name: two, bars: [{bass: '1 E:0'}]}\n"
    )
    with_them = with_ids(text)
    assert drill_from(with_them) == drill_from(text)
    assert with_them.replace("id: a-test\n", "").replace("id: one\n    ", "").replace("id: two, ", "") == text
    assert with_ids(with_them) == with_them
    renamed = with_them.replace("title: A Test", "title: Another").replace("name: one", "name: 1st")
    assert (drill_from(renamed).id, drill_from(renamed).phrases[0].id) == ("a-test", "one")


def test_a_text_with_errors_gets_no_ids() -> None:
    assert with_ids("drill: 1\n") == "drill: 1\n"


def test_places_of_events_are_known() -> None:
    reading = read_reading(
        HEAD + "phrases:\n  - bars:\n      - bass: 1 E:0,\n          3 A:0\n        times: 2\n", "test.yaml"
    )
    spots = {key: (spot.line, spot.column) for key, spot in reading.events.items()}
    assert spots == {
        (0, 0, "bass", 0): (8, 15),
        (0, 0, "bass", 2): (9, 11),
        (0, 1, "bass", 0): (8, 15),
        (0, 1, "bass", 2): (9, 11),
    }


@pytest.mark.parametrize("path", DRILLS, ids=[path.stem for path in DRILLS])
def test_every_built_in_drill_is_read_without_a_warning(path: Path) -> None:
    drill, problems = read_drill(path.read_text(encoding="utf-8"), str(path))
    assert problems == []
    assert drill is not None
    assert drill.id == path.stem
    for phrase in drill.phrases:
        full = [bar for bar in phrase.bars if bar.length == bar.meter.beats]
        assert phrase.id
        assert phrase.layers
        assert 2 <= len(full) <= 4
    assert with_ids(path.read_text(encoding="utf-8")) == path.read_text(encoding="utf-8")
    assert passage_of(drill, whole_piece(drill)).events


def test_load_raises_with_every_error(tmp_path: Path) -> None:
    path = tmp_path / "bad.yaml"
    path.write_text(HEAD.replace("4/4", "6:8").replace("76", "7600"))
    with pytest.raises(CoachError, match="6/8") as caught:
        load_drill(path)
    assert len(caught.value.problems) == 3


def test_a_phrase_that_the_order_repeats_very_often_is_written_in_parts() -> None:
    drill = bars_of("bass: 1 E:0")
    phrase = drill.phrases[0].id
    text = write_drill(replace(drill, order=(phrase,) * 100))
    assert f"order: {phrase} x99, {phrase}\n" in text
    assert drill_from(text).order == (phrase,) * 100
