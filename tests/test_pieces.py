"""The invented pieces that simulated players practise: read, checked and shaped like pieces that someone wrote."""

from __future__ import annotations

import pytest

from benchmarks.pieces import EASY, EVENTS, HARD, SHAPES, piece, piece_text, pieces
from coach.cli import main
from coach.music.excerpt import whole_phrase
from coach.music.passages import passage_of
from coach.score.checked import checked
from tests.samples import joins_of

SEEDS = range(4)
CASES = [(shape, seed) for shape in SHAPES for seed in SEEDS]


def phrases(drill):
    return [passage_of(drill, whole_phrase(drill, phrase)) for phrase in drill.phrases]


def labels(drill):
    return [
        placed.note.written
        for passage in phrases(drill)
        for event in passage.events
        for placed in event.notes
        if placed.note.is_harmonic
    ]


@pytest.mark.parametrize("shape", SHAPES)
def test_coach_check_passes_the_written_file_without_a_word(shape, tmp_path, capsys):
    path = tmp_path / f"{shape}.yaml"
    path.write_text(piece_text(shape, 0), encoding="utf-8")
    assert main(["check", str(path)]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(("shape", "seed"), CASES)
def test_a_piece_has_its_shape(shape, seed):
    drill = piece(shape, seed)
    low, high = SHAPES[shape].phrases
    assert low <= len(drill.phrases) <= high
    assert all(len(passage.events) in EVENTS for passage in phrases(drill))
    assert len({phrase.revision for phrase in drill.phrases}) == len(drill.phrases)
    assert drill.layers in (("bass", "harmonics"), ("harmonics", "bass"))
    assert 0.48 <= drill.tempo.start_bpm / drill.tempo.goal_bpm <= 0.52
    assert set(drill.order) == {phrase.id for phrase in drill.phrases}
    assert joins_of(drill)


def test_one_seed_is_one_piece_and_another_is_another():
    assert piece_text("usual", 7) == piece_text("usual", 7) != piece_text("usual", 8)
    assert checked(piece_text("usual", 7), "again").drill == piece("usual", 7)


@pytest.mark.parametrize("seed", SEEDS)
def test_few_hard_nodes_are_few_and_there(seed):
    written = labels(piece("few-hard-nodes", seed))
    hard = sum(label in HARD for label in written)
    assert 0 < hard < len(written) / 3
    assert all(label in (*EASY, *HARD) for label in written)


@pytest.mark.parametrize("seed", SEEDS)
def test_phrases_of_a_shared_piece_have_most_nodes_in_common_and_moves_too(seed):
    drill = piece("shared-nodes", seed)
    passages = phrases(drill)
    for passage in passages:
        others = [other for other in passages if other is not passage]
        assert set(passage.node_keys) & {key for other in others for key in other.node_keys}
        assert set(passage.moves) & {move for other in others for move in other.moves}


def test_pieces_held_at_once_are_different_drills():
    held = pieces(4, 3)
    assert len({drill.id for drill in held}) == 4
    assert pieces(4, 3) == held
