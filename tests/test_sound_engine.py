"""The engine hands out the right samples, knows what is heard, and goes on without a device."""

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.sound.device import RETRY_S, STALL_S, START_STALL_S, DeviceError, Filler
from coach.sound.engine import SILENT_LEAD_S, Engine
from coach.sound.feed import PIECE_SAMPLES, Feed, Pieces

RATE = 48_000
BLOCK = 960
PACE_BLOCKS = 17
"""So many blocks show a device's pace; from the last of them on it plays."""


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class Desk:
    """A sound card in the test's hands: `run` lets it ask for blocks as time goes by."""

    def __init__(self, clock: Clock) -> None:
        self.name = "Test Desk"
        self.queued_blocks = 3
        self.clock = clock
        self.present = True
        self.closed = 0
        self.hang: threading.Event | None = None
        self.filler: Filler | None = None
        self.heard: list[np.ndarray] = []

    def open(self, rate: int, name: str, filler: Filler) -> "Desk":
        if not self.present:
            raise DeviceError("no sound card found")
        self.filler = filler
        for _ in range(self.queued_blocks + 1):
            self.block()
        return self

    def close(self) -> None:
        if self.hang:
            self.hang.wait(5)
        self.closed += 1

    def block(self) -> None:
        assert self.filler is not None
        block = np.zeros(BLOCK, dtype=np.float32)
        got = np.frombuffer(self.filler.send(BLOCK), dtype=np.float32)
        block[: len(got)] = got
        self.heard.append(block)

    def run(self, blocks: int) -> None:
        for _ in range(blocks):
            self.clock.now_s += BLOCK / RATE
            self.block()


def desk_engine() -> tuple[Clock, Desk, Engine]:
    clock = Clock()
    desk = Desk(clock)
    engine = Engine(RATE, opener=desk.open, clock=clock)
    engine.tend()
    desk.run(PACE_BLOCKS)
    return clock, desk, engine


def settle(engine: Engine) -> None:
    """Wait for the thread that closes a device; Python may count it as alive when it lists it no more."""
    if engine._closing is not None:
        engine._closing.join(5)


def ramp(length: int) -> np.ndarray:
    return (np.arange(1, length + 1) / length * 0.4).astype(np.float32)


def played(desk: Desk) -> np.ndarray:
    heard = np.concatenate(desk.heard)
    return np.trim_zeros(heard)


@settings(max_examples=60)
@given(
    lengths=st.lists(st.integers(1, 2 * PIECE_SAMPLES), min_size=1, max_size=5),
    blocks=st.lists(st.integers(1, 2000), min_size=1, max_size=60),
)
def test_joined_reps_follow_to_the_sample_whatever_the_block_size(lengths, blocks):
    feed = Feed()
    reps = [np.full(length, index + 1, dtype=np.float32) for index, length in enumerate(lengths)]
    for rep in reps:
        feed.play(Pieces(rep), join=True)
    out = []
    for count in blocks:
        block = np.zeros(count, dtype=np.float32)
        got = np.frombuffer(feed.fill(count), dtype=np.float32)
        block[: len(got)] = got
        out.append(block)
    whole = np.concatenate(reps)
    heard = np.concatenate(out)
    expected = np.zeros(len(heard), dtype=np.float32)
    expected[: len(whole)] = whole[: len(heard)]
    assert np.array_equal(heard, expected)
    assert feed.frames == sum(blocks)


@settings(max_examples=60)
@given(
    lengths=st.lists(st.integers(1, 5000), min_size=1, max_size=5),
    skips=st.lists(st.integers(1, 3000), min_size=1, max_size=10),
)
def test_frames_that_go_by_unheard_move_the_reps_as_if_they_were_played(lengths, skips):
    silent, aloud = Feed(), Feed()
    for length in lengths:
        for feed in (silent, aloud):
            feed.play(Pieces(np.zeros(length, dtype=np.float32)), join=True)
    for count in skips:
        silent.skip(count)
        aloud.fill(count)
        assert silent.heard(silent.frames - 1) == aloud.heard(aloud.frames - 1)


def test_a_replaced_rep_fades_out_before_the_new_one_starts():
    feed = Feed()
    feed.play(Pieces(np.ones(10_000, dtype=np.float32)), join=False)
    feed.fill(480)
    feed.play(Pieces(np.full(1000, 0.5, dtype=np.float32)), join=False)
    fading = np.frombuffer(feed.fill(480), dtype=np.float32)
    assert fading[0] == pytest.approx(1.0, abs=0.01)
    assert abs(fading[-1]) < 0.01
    assert np.all(np.diff(fading) < 0)
    assert np.frombuffer(feed.fill(480), dtype=np.float32)[0] == 0.5


def test_the_volume_moves_without_a_step():
    feed = Feed()
    feed.play(Pieces(np.ones(10_000, dtype=np.float32)), join=False)
    feed.fill(480)
    feed.gain = 0.25
    moving = np.frombuffer(feed.fill(480), dtype=np.float32)
    assert np.abs(np.diff(moving)).max() < 0.01
    assert np.frombuffer(feed.fill(480), dtype=np.float32) == pytest.approx(np.full(480, 0.25))


TOOTH = 10_007


class Asked:
    """Two hours of a saw; which pieces of it were asked for, by their numbers."""

    def __init__(self) -> None:
        self.pieces: list[int] = []

    def __len__(self) -> int:
        return 7200 * RATE

    def __getitem__(self, samples: slice) -> np.ndarray:
        self.pieces.append(samples.start // PIECE_SAMPLES if samples.start else 0)
        return (np.arange(samples.start or 0, samples.stop) % TOOTH).astype(np.float32)


def test_the_device_finds_ready_what_it_plays_and_no_piece_is_made_twice():
    _, desk, engine = desk_engine()
    sound = Asked()
    engine.play(sound)
    sound.pieces.clear()
    for _ in range(50):
        made = len(sound.pieces)
        desk.run(5)
        assert len(sound.pieces) == made
        engine.tend()
    assert len(sound.pieces) == len(set(sound.pieces)) == pytest.approx(250 * BLOCK / PIECE_SAMPLES, abs=2)
    whole = np.concatenate(desk.heard)
    assert np.array_equal(whole[np.argmax(whole > 0) - 1 :][: 249 * BLOCK], np.arange(249 * BLOCK) % TOOTH)


def test_after_an_hour_unheard_the_sound_comes_in_with_one_piece():
    feed, sound = Feed(), Asked()
    feed.play(Pieces(sound), join=False)
    feed.fill(BLOCK)
    feed.resume_at(3600 * RATE)
    sound.pieces.clear()
    heard = np.frombuffer(feed.fill(BLOCK), dtype=np.float32)
    assert sound.pieces == [3600 * RATE // PIECE_SAMPLES]
    assert heard[-1] == (3600 * RATE + BLOCK - 1) % TOOTH


def test_what_was_rendered_is_what_the_device_gets():
    _, desk, engine = desk_engine()
    pcm = ramp(5000)
    engine.play(pcm)
    desk.run(20)
    assert np.array_equal(played(desk), pcm)
    assert str(engine.status) == "sound: Test Desk"


def test_the_position_is_what_is_heard_runs_between_blocks_and_stays_where_a_block_comes_late():
    clock, desk, engine = desk_engine()
    engine.play(ramp(RATE))
    assert engine.playing
    assert engine.position_s < 0
    desk.run(1)
    assert engine.position_s == pytest.approx(-3 * BLOCK / RATE, abs=2 / RATE)
    desk.run(10)
    assert engine.position_s == pytest.approx(7 * BLOCK / RATE, abs=2 / RATE)
    clock.now_s += 0.005
    plain = engine.position_s
    assert plain == pytest.approx(7 * BLOCK / RATE + 0.005, abs=2 / RATE)
    assert engine.position_s_at(clock.now_s - 0.1) == pytest.approx(plain - 0.1)
    engine.offset_s = 0.05
    assert engine.position_s == pytest.approx(plain - 0.05), "the player's own offset"
    assert engine.latency_s == pytest.approx(3 * BLOCK / RATE + 0.05)
    clock.now_s += 0.035
    desk.block()
    assert engine.position_s == pytest.approx(plain - 0.05 + 0.035, abs=1e-4)


def test_a_rep_is_finished_when_its_last_sample_is_heard_and_a_joined_one_has_its_own_token():
    _, desk, engine = desk_engine()
    first = engine.play(ramp(BLOCK * 5))
    second = engine.play(ramp(BLOCK * 5), join=True)
    desk.run(5)
    assert (engine.token, engine.playing) == (first, True)
    desk.run(5)
    assert (engine.token, engine.playing) == (second, True)
    assert engine.position_s == pytest.approx(BLOCK / RATE, abs=2 / RATE)
    desk.run(5)
    assert engine.finished
    assert not engine.playing
    engine.stop()
    assert engine.token is None


def test_without_a_device_the_reps_go_on_in_silence():
    clock = Clock()
    desk = Desk(clock)
    desk.present = False
    engine = Engine(RATE, opener=desk.open, clock=clock)
    engine.tend()
    assert str(engine.status) == "no sound card found: silent mode, the screen shows the beat"
    clock.now_s += 5.0
    engine.play(ramp(RATE))
    clock.now_s += SILENT_LEAD_S + 0.25
    assert engine.position_s == pytest.approx(0.25, abs=1e-4)
    clock.now_s += 0.8
    assert engine.finished


def test_a_device_that_vanishes_leaves_the_rep_going_on_from_where_it_was():
    clock, desk, engine = desk_engine()
    engine.play(ramp(10 * RATE))
    desk.run(50)
    clock.now_s += STALL_S + 0.1
    engine.tend()
    assert str(engine.status) == "sound lost: going on in silence until it is back"
    lost_at = engine.position_s
    clock.now_s += 0.5
    assert engine.position_s == pytest.approx(lost_at + 0.5, abs=1e-3)


def test_sound_comes_back_at_the_place_where_the_rep_is():
    clock, desk, engine = desk_engine()
    pcm = ramp(20 * RATE)
    engine.play(pcm)
    desk.run(50)
    desk.present = False
    clock.now_s += STALL_S + 0.1
    engine.tend()
    engine.tend()
    clock.now_s += RETRY_S + 0.1
    settle(engine)
    assert desk.closed == 1
    desk.present = True
    clock.now_s += RETRY_S + 0.1
    engine.tend()
    before = engine.position_s
    engine.tend()
    desk.run(20)
    assert str(engine.status) == "sound: Test Desk"
    assert engine.position_s == pytest.approx(before + 20 * BLOCK / RATE, abs=BLOCK / RATE + 1e-3)
    queue = 3 * BLOCK
    heard_now = desk.heard[-1][0]
    assert heard_now == pytest.approx(pcm[round(engine.position_s * RATE) + queue], abs=1e-6)


def test_a_device_that_never_asks_for_a_block_is_given_up():
    clock = Clock()
    desk = Desk(clock)

    def mute(rate: int, name: str, filler: Filler) -> Desk:
        return desk

    engine = Engine(RATE, opener=mute, clock=clock)
    engine.tend()
    clock.now_s += START_STALL_S + 0.1
    engine.tend()
    assert str(engine.status) == "no sound comes out of Test Desk: silent mode, the screen shows the beat"
    engine.play(ramp(RATE))
    clock.now_s += SILENT_LEAD_S + 0.5
    assert engine.position_s == pytest.approx(0.5, abs=1e-3)


def test_a_device_that_hangs_when_closed_is_left_alone_until_it_lets_go():
    clock, desk, engine = desk_engine()
    desk.run(5)
    desk.hang = threading.Event()
    opened = desk.filler
    clock.now_s += STALL_S + 0.1
    engine.tend()
    engine.tend()
    clock.now_s += RETRY_S + 0.1
    engine.tend()
    assert desk.filler is opened
    desk.hang.set()
    settle(engine)
    engine.tend()
    assert desk.filler is not opened


def test_a_beat_stays_where_it_is_while_the_device_is_lost_and_when_it_is_back():
    clock, desk, engine = desk_engine()
    engine.play(ramp(20 * RATE))
    desk.run(50)
    began_s = clock.now_s - engine.position_s
    for _ in range(20):
        clock.now_s += STALL_S / 10
        engine.tend()
        assert clock.now_s - engine.position_s == pytest.approx(began_s, abs=1e-6)
    settle(engine)
    clock.now_s += RETRY_S + 0.1
    engine.tend()
    for _ in range(60):
        desk.run(1)
        assert clock.now_s - engine.position_s == pytest.approx(began_s, abs=1 / RATE)
    assert engine.sounding


def test_after_the_queue_ran_dry_the_sound_comes_in_again_where_the_beat_is():
    clock, desk, engine = desk_engine()
    pcm = ramp(20 * RATE)
    engine.play(pcm)
    desk.run(10)
    began_s = clock.now_s - engine.position_s
    assert engine.late_calls == 0
    clock.now_s += 0.2
    desk.block()
    assert engine.late_calls == 1
    assert str(engine.status).startswith("sound lost")
    desk.run(40)
    assert engine.sounding
    assert clock.now_s - engine.position_s == pytest.approx(began_s, abs=1 / RATE)
    heard_at = round(engine.position_s * RATE) + 3 * BLOCK
    assert desk.heard[-1][0] == pytest.approx(pcm[heard_at], abs=1e-6)


def test_a_device_that_fills_its_queue_and_waits_is_not_followed_before_it_plays():
    """The pattern of PulseAudio's null sink, recorded: ten blocks at once, 1.7 s of nothing, seven every 140 ms."""
    clock = Clock()
    desk = Desk(clock)
    desk.queued_blocks = 9
    engine = Engine(RATE, opener=desk.open, clock=clock)
    engine.tend()
    engine.play(ramp(RATE))
    clock.now_s += 1.72
    shown = []
    for _ in range(8):
        for _ in range(7):
            desk.block()
        if engine.sounding:
            shown.append(clock.now_s - engine.position_s)
        clock.now_s += 7 * BLOCK / RATE
    assert len(shown) > 3
    assert max(shown) - min(shown) < 1 / RATE


def test_an_engine_without_any_device_opens_and_closes_for_real():
    def none(rate: int, name: str, filler: Filler) -> Desk:
        raise DeviceError("no sound card found")

    with Engine(RATE, opener=none) as engine:
        engine.play(ramp(100))
        engine.volume = 7.0
        assert engine.volume == 1.0
    assert not any(thread.name == "sound keeper" for thread in threading.enumerate())
