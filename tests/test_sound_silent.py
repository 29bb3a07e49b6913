"""The silent player keeps the same positions by its clock alone."""

import numpy as np
import pytest

from coach.sound.engine import SILENT_LEAD_S, Engine, open_engine


class Clock:
    now_s = 50.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


def test_a_rep_begins_a_moment_after_it_is_asked_for_as_a_card_s_queue_has_it(clock):
    engine = Engine(1000, opener=None, clock=clock)
    token = engine.play(np.zeros(500, dtype=np.float32))
    assert engine.position_s == pytest.approx(-SILENT_LEAD_S)
    clock.now_s += SILENT_LEAD_S
    assert engine.token == token
    assert engine.position_s == pytest.approx(0.0, abs=1e-3)


def test_the_position_is_the_time_since_the_rep_began(clock):
    engine = Engine(1000, opener=None, clock=clock)
    assert engine.token is None
    assert engine.position_s == 0.0
    token = engine.play(np.zeros(500, dtype=np.float32))
    clock.now_s += SILENT_LEAD_S + 0.3
    assert engine.token == token
    assert engine.position_s == pytest.approx(0.3)
    assert engine.position_s_at(clock.now_s - 0.1) == pytest.approx(0.2)
    assert engine.playing
    clock.now_s += 0.3
    assert engine.finished
    engine.stop()
    assert not engine.finished
    assert not engine.playing


def test_joined_reps_begin_when_the_one_before_ends(clock):
    engine = Engine(1000, opener=None, clock=clock)
    tokens = [engine.play(np.zeros(500, dtype=np.float32), join=True) for _ in range(3)]
    clock.now_s += SILENT_LEAD_S + 1.2
    assert engine.token == tokens[2]
    assert engine.position_s == pytest.approx(0.2)
    clock.now_s += 0.4
    assert engine.finished


def test_a_rep_joined_after_the_end_begins_at_once(clock):
    engine = Engine(1000, opener=None, clock=clock)
    engine.play(np.zeros(100, dtype=np.float32))
    clock.now_s += 5.0
    engine.play(np.zeros(100, dtype=np.float32), join=True)
    clock.now_s += 0.05
    assert engine.position_s == pytest.approx(0.05)


def test_a_new_rep_replaces_the_old_and_all_that_was_joined(clock):
    engine = Engine(1000, opener=None, clock=clock)
    engine.play(np.zeros(500, dtype=np.float32))
    engine.play(np.zeros(500, dtype=np.float32), join=True)
    clock.now_s += 0.1
    token = engine.play(np.zeros(500, dtype=np.float32))
    clock.now_s += 0.2
    assert engine.token == token
    clock.now_s += 9.0
    assert engine.token == token


def test_silent_mode_is_chosen_by_asking_for_it():
    with open_engine(silent=True, offset_s=0.1) as player:
        assert str(player.status) == "silent mode, the screen shows the beat"
        assert player.latency_s == 0.0
