"""The built-in drills: playable, true in what their cues say, and harder from grade to grade."""

from __future__ import annotations

from pathlib import Path

import pytest

from coach.ground.places import builtin_drills
from coach.music.drill import Drill, Phrase
from coach.music.excerpt import PlacedEvent, whole_phrase, whole_piece
from coach.music.passages import passage_of
from coach.music.playability import check_playability
from coach.score.checked import checked
from coach.score.load import load_drill
from coach.strings.units import midi_from_note

DRILLS = {path.stem: load_drill(path) for path in builtin_drills()}
GRADED = sorted((drill for drill in DRILLS.values() if drill.grade), key=lambda drill: drill.grade or 0)
EACH = pytest.mark.parametrize("drill", GRADED, ids=[drill.id for drill in GRADED])

# Intervals of the partials 2 to 9 above the open string in equal-tempered semitones, from the harmonic series (octave,
# twelfth, two octaves, ... as in any text on it: 12 log2 n rounded; partial 7 lies 31 cents below 34).
SERIES = {2: 12, 3: 19, 4: 24, 5: 28, 6: 31, 7: 34, 8: 36, 9: 38}


def events_of(drill: Drill, phrase: Phrase | None = None) -> tuple[PlacedEvent, ...]:
    excerpt = whole_phrase(drill, phrase) if phrase else whole_piece(drill)
    return passage_of(drill, excerpt).events


def midi_of(drill: Drill, string: int, fret: int, partial: int | None) -> int:
    return drill.instrument.strings[string].midi + fret + (SERIES[partial] if partial else 0)


@EACH
def test_check_has_nothing_to_say(drill: Drill) -> None:
    text = Path(drill.path).read_text(encoding="utf-8")
    assert checked(text, drill.path).problems == []
    assert check_playability(drill) == []


def test_there_are_ten_drills_and_more_for_four_and_for_five_strings() -> None:
    assert len(GRADED) == len(DRILLS) >= 10
    assert [drill.grade for drill in GRADED] == list(range(1, len(GRADED) + 1))
    strings = [len(drill.instrument.strings) for drill in GRADED]
    assert {4, 5} == set(strings)
    assert strings.count(5) >= 2


@EACH
def test_no_cue_says_a_distance_that_is_true_on_one_neck_only(drill: Drill) -> None:
    # A distance in frets holds on every neck; one in mm on a scale of that length alone.
    cues = [cue for phrase in drill.phrases for cue in (phrase.cue, *(bar.cue for bar in phrase.bars))]
    assert not [cue for cue in [drill.about, *cues] if "mm" in cue.split()]


@EACH
def test_an_asserted_pitch_is_that_of_the_harmonic_series(drill: Drill) -> None:
    for event in events_of(drill):
        for placed in event.notes:
            note = placed.note
            if note.asserted:
                partial = note.node.partial if note.node else None
                assert midi_from_note(note.asserted) == midi_of(drill, note.string, note.fret or 0, partial)


def partials(drill: Drill) -> set[int]:
    return {
        placed.note.node.partial for event in events_of(drill) for placed in event.notes if placed.note.node
    }


def artificial(drill: Drill) -> bool:
    return any(placed.note.is_artificial for event in events_of(drill) for placed in event.notes)


def test_nodes_come_from_easy_to_hard() -> None:
    # The higher its partial, the less a node forgives (common practice, no source): 12, 7, 5, then 3.9, 3.2, 2.7.
    hardest = [max(partials(drill)) for drill in GRADED[:13]]
    assert hardest == sorted(hardest)
    assert (hardest[:3], hardest[-1]) == ([2, 3, 4], 7)
    assert partials(GRADED[0]) == {2}


def test_layers_and_artificial_harmonics_come_last() -> None:
    assert [len(drill.layers) for drill in GRADED[:13]] == [2] * 13
    assert len(GRADED[13].layers) == 3
    assert [artificial(drill) for drill in GRADED] == [False] * 14 + [True] * 2


def test_the_last_drill_is_a_piece_of_about_a_minute_with_an_easier_version() -> None:
    drill = GRADED[-1]
    passage = passage_of(drill, whole_piece(drill))
    assert 50 <= passage.tempo.seconds_at(passage.length, drill.goal_bpm) <= 70
    assert len(drill.layers) == 3
    assert any(placed.note.droppable for event in passage.events for placed in event.notes)
