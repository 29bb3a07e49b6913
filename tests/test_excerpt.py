"""Excerpts and passages: what one repetition covers, with exact places and identities that survive edits."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction

import pytest

from coach.ground.codec import plain_of, value_of
from coach.music.drill import TOGETHER, Bar, Drill, Note, Phrase, Tempo
from coach.music.excerpt import Excerpt, Kind, LoggedPassage, layer_choices, whole_phrase, whole_piece
from coach.music.passages import excerpts_of, heading_of, outline_of, passage_of
from coach.music.rhythm import Meter
from tests.samples import BASS, FOUR_FOUR, event, harmonic, joins_of, sample_drill, two_bar_phrase

F = Fraction


def labels(drill: Drill, excerpt: Excerpt) -> list[tuple[int, str, str]]:
    return [(e.label, e.layer, str(e.onset)) for e in passage_of(drill, excerpt).events]


def test_every_event_has_a_label_in_order_of_time_bass_notes_too():
    drill = sample_drill()
    events = passage_of(drill, whole_phrase(drill, drill.phrases[0])).events
    assert [e.label for e in events] == list(range(1, 10))
    assert [(e.layer, e.onset) for e in events[:3]] == [("bass", 0), ("harmonics", 0), ("harmonics", F(3, 2))]
    assert events[5].onset == 4


def test_a_node_is_the_instrument_the_open_string_and_the_reduced_fraction():
    drill = sample_drill()
    passage = passage_of(drill, Excerpt("lamps", ("lamp",), "harmonics"))
    assert passage.events[2].notes[0].node_key == "D2|1/6"


def test_harmonics_sound_at_the_partials_frequency():
    drill = sample_drill()
    events = passage_of(drill, Excerpt("lamps", ("lamp",), "harmonics")).events
    # Computed: four times the equal-tempered G2 of 97.9989 Hz.
    assert events[1].notes[0].sounding_hz == pytest.approx(391.995, abs=0.001)


def test_the_easier_version_drops_single_notes_and_whole_events():
    drill = sample_drill()
    easier = passage_of(drill, Excerpt("lamps", ("lamp",), "harmonics", easier=True))
    assert len(easier.events[0].notes) == 1
    assert len(easier.events) == 6


def test_a_node_excerpt_holds_its_node_over_the_bass_note_that_is_down():
    drill = sample_drill()
    node = Excerpt("lamps", ("lamp",), TOGETHER, Kind.NODE, subject="D2|1/6")
    passage = passage_of(drill, node)
    bass, harmonic_event = passage.events
    assert (bass.layer, bass.onset, bass.beat) == ("bass", 0, 2)
    assert (harmonic_event.onset, harmonic_event.count) == (F(1, 2), "3&")
    assert passage.bars[0].first_beat == 2
    assert passage.length == 2


def test_a_move_excerpt_holds_both_of_its_nodes():
    drill = sample_drill()
    move = next(e for e in excerpts_of(drill, drill.phrases[0], "harmonics") if e.kind is Kind.MOVE)
    passage = passage_of(drill, move)
    assert passage.moves == (move.subject,)
    assert [e.place for e in passage.events] == move.subject.split(">")


def test_the_two_halves_hold_every_event_once_between_them():
    drill = sample_drill()
    whole = passage_of(drill, Excerpt("lamps", ("lamp",), "harmonics"))
    halves = [
        passage_of(drill, Excerpt("lamps", ("lamp",), "harmonics", Kind.HALF, subject=half)) for half in "12"
    ]
    assert sum(len(half.events) for half in halves) == len(whole.events)
    assert sum(half.length for half in halves) == whole.length


def test_a_join_is_the_last_bar_of_one_phrase_and_the_first_of_the_next():
    drill = sample_drill()
    (join,) = joins_of(drill)
    passage = passage_of(drill, join)
    assert [(bar.phrase, bar.number) for bar in passage.bars] == [("lamp", 2), ("wick", 1)]


def test_the_piece_plays_its_order_with_repeats():
    drill = replace(sample_drill(), order=("wick", "lamp", "wick"))
    passage = passage_of(drill, whole_piece(drill))
    assert [bar.phrase for bar in passage.bars] == ["wick", "lamp", "lamp", "wick"]
    assert passage.length == 16


def test_an_outline_has_the_strokes_and_the_time_of_its_passage():
    drill = sample_drill()
    first, second = drill.phrases
    slowing = replace(first.bars[1], start_ratio=F(4, 5), stop_ratio=F(1, 2))
    in_eighths = replace(first.bars[0], meter=Meter.of(4, 8), start_ratio=F(3, 2), stop_ratio=F(3, 2))
    # The second phrase begins with the other layer, so that the piece and the phrase order their layers differently.
    swapped = replace(second, layers=tuple(reversed(second.layers)))
    phrases = (replace(first, bars=(in_eighths, slowing)), swapped)
    drill = replace(drill, phrases=phrases, order=("wick", "lamp", "wick", "lamp"), count_in_bars=2)
    wholes = [whole_phrase(drill, each, layer) for each in phrases for layer in layer_choices(each)]
    parts = [part for each in phrases for layer in each.layers for part in excerpts_of(drill, each, layer)]
    wholes += [whole_piece(drill), whole_piece(drill, "harmonics")]
    easier = [replace(each, easier=True) for each in wholes]
    for excerpt in (*wholes, *easier, *parts, *joins_of(drill)):
        passage = passage_of(drill, excerpt)
        strokes, beats = outline_of(drill, excerpt)
        assert strokes == [event.stroke for event in passage.logged_events]
        bar, ratio = passage.bars[0], passage.tempo.spans[0].start_ratio
        assert beats == 2 * bar.meter.beats * bar.beat_length / ratio + passage.seconds(60)


def test_keys_come_back_as_the_same_excerpt_also_with_a_move_in_them():
    for excerpt in excerpts_of(sample_drill(), two_bar_phrase(), "harmonics"):
        assert Excerpt.parse(excerpt.key) == excerpt


@pytest.mark.parametrize("text", ["", "a:b:c", "a:b:c:phrase:maybe:", "a:b:c:verse:full:"])
def test_text_that_is_no_key_is_refused(text):
    with pytest.raises(ValueError, match=r"is not an excerpt key|is not a valid Kind"):
        Excerpt.parse(text)


def test_an_edit_of_names_keeps_the_revision_and_an_edit_of_notes_changes_it():
    phrase = two_bar_phrase()
    renamed = replace(phrase, name="Other", bars=(replace(phrase.bars[0], cue="breathe"), phrase.bars[1]))
    assert renamed.revision == phrase.revision
    bar = replace(phrase.bars[0], events=phrase.bars[0].events[:-1])
    assert replace(phrase, bars=(bar, phrase.bars[1])).revision != phrase.revision


def test_what_the_log_keeps_of_a_passage_comes_back_the_same_with_the_same_id():
    drill = sample_drill()
    logged = passage_of(drill, whole_phrase(drill, drill.phrases[0])).logged
    assert value_of(LoggedPassage, json.loads(json.dumps(plain_of(logged)))) == logged
    assert LoggedPassage.of(logged.excerpt, logged.revision, logged.title, logged.events).id == logged.id
    assert logged.events[1].nodes == ("G2|1/3", "D2|1/3")


def test_what_the_drill_no_longer_has_raises_its_name():
    with pytest.raises(KeyError, match="oil"):
        passage_of(sample_drill(), Excerpt("lamps", ("oil",)))
    with pytest.raises(KeyError, match="flute"):
        passage_of(sample_drill(), Excerpt("lamps", ("lamp",), "flute"))
    with pytest.raises(KeyError, match="9/9"):
        passage_of(sample_drill(), Excerpt("lamps", ("lamp",), TOGETHER, Kind.NODE, subject="9/9"))


def test_a_pick_up_bar_counts_up_to_the_bar_line():
    pick_up = Bar(FOUR_FOUR, F(1), (event("harmonics", "3", "1", harmonic(0, "1/2")),))
    full = Bar(FOUR_FOUR, F(4), (event("harmonics", "0", "4", harmonic(0, "1/3")),))
    drill = Drill("up", "Up", BASS, Tempo(50, 60), (Phrase("a", "A", (pick_up, full), ("harmonics",)),))
    first, second = passage_of(drill, Excerpt("up", ("a",), "harmonics")).events
    assert (first.onset, first.count, second.onset) == (0, "4", 1)


def test_a_meter_with_another_beat_keeps_its_note_values():
    compound = Meter.of(6, 8, 2)
    bar = Bar(compound, F(2), (event("bass", "1", "1", Note(3, fret=0)),))
    drill = Drill("six", "Six", BASS, Tempo(50, 60), (Phrase("a", "A", (bar,), ("bass",)),))
    passage = passage_of(drill, Excerpt("six", ("a",), "bass"))
    assert (passage.events[0].onset, passage.length) == (F(3, 2), 3)


def test_a_phrase_with_one_layer_has_no_together():
    assert layer_choices(replace(two_bar_phrase(), layers=("bass",))) == ("bass",)
    assert layer_choices(two_bar_phrase()) == ("bass", "harmonics", TOGETHER)


def test_the_heading_is_the_title_and_layers_of_the_passage_for_every_excerpt():
    drill = sample_drill()
    excerpts = [*joins_of(drill), whole_piece(drill)]
    for phrase in drill.phrases:
        for layer in layer_choices(phrase):
            excerpts += [
                replace(whole_phrase(drill, phrase, layer), easier=True),
                *excerpts_of(drill, phrase, layer),
            ]
    for excerpt in excerpts:
        passage = passage_of(drill, excerpt)
        assert heading_of(drill, excerpt) == (passage.title, passage.layers)
    with pytest.raises(KeyError, match="kettle"):
        heading_of(drill, replace(excerpts[0], layer="kettle"))
