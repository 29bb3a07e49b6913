"""Keys and spellings, checked against music21's keys and the chorales of its corpus."""

from __future__ import annotations

import warnings

import pytest

from coach.music.key import MOST_FIFTHS, Key, Mode, key_named, spelling_of

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from music21 import corpus, key


@pytest.mark.parametrize("mode", ["major", "minor"])
@pytest.mark.parametrize("fifths", range(-MOST_FIFTHS, MOST_FIFTHS + 1))
def test_a_key_has_the_name_and_spells_the_scale_that_music21_gives(fifths: int, mode: Mode) -> None:
    ours, theirs = Key(fifths, mode), key.KeySignature(fifths).asKey(mode)
    tonic = theirs.tonic.name.replace("-", "b")
    assert str(ours) == f"{tonic} {mode}"
    assert key_named(str(ours)) == ours
    for pitch in theirs.pitches:
        spelled = ours.spelling(int(pitch.midi))
        assert (spelled.letter, spelled.alter, spelled.octave) == (pitch.step, pitch.alter, pitch.octave)


@pytest.mark.parametrize("name", ["bwv269", "bwv66.6", "bwv347"])
def test_a_chorale_is_spelled_as_its_edition_has_it(name: str) -> None:
    score = corpus.parse(name)
    signature = score.recurse().getElementsByClass(key.KeySignature).first()
    ours = Key(signature.sharps, getattr(signature, "mode", "major"))
    for pitch in score.pitches:
        assert str(ours.spelling(int(pitch.midi))) == pitch.nameWithOctave.replace("-", "b")


def test_a_stated_pitch_is_spelled_as_it_stands() -> None:
    assert str(spelling_of(66, Key(2), "Gb4")) == "Gb4"
    assert str(spelling_of(59, None, "Cb4")) == "Cb4"
    assert str(spelling_of(66, Key(-5), "F4")) == "Gb4"
