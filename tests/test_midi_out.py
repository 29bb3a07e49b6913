"""MIDI click and clock: what is sent, in which order, and when."""

import os
import threading
from fractions import Fraction

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.midi.out import CLOCK, CONTINUE, START, STOP, Sender, Timed, rep_messages
from coach.midi.settings import MidiSettings
from coach.sound.timeline import RepTimeline, Strike


def timeline(tempo_bpm=120, count_in=4, beats=8):
    beat_s = Fraction(60, tempo_bpm)
    strikes = tuple(
        Strike(beat * beat_s, "accent" if beat % 4 == 0 else "beat") for beat in range(count_in + beats)
    )
    return RepTimeline(strikes, count_in * beat_s, (count_in + beats) * beat_s, {}, {}, float)


def ticks(tempo_bpm=120, count_in=4, beats=8):
    return tuple(Fraction(60 * tick, 24 * tempo_bpm) for tick in range((count_in + beats) * 24))


BOTH = MidiSettings(click=True, clock=True)


@settings(max_examples=20)
@given(tempo_bpm=st.integers(20, 300))
def test_there_are_24_clocks_to_the_quarter_and_start_comes_right_before_the_music_s_first(tempo_bpm):
    """MIDI 1.0: F8 24 to the quarter; after FA the next F8 is the first beat."""
    sent = [timed.message[0] for timed in rep_messages(timeline(tempo_bpm), ticks(tempo_bpm), BOTH)]
    system = [status for status in sent if status >= 0xF8]
    assert system.count(CLOCK) == 12 * 24
    assert system.index(START) == 4 * 24
    assert system[4 * 24 + 1] == CLOCK
    assert system[-1] == STOP


def test_a_rep_that_goes_on_continues_and_one_that_is_followed_does_not_stop():
    sent = [timed.message[0] for timed in rep_messages(timeline(), ticks(), BOTH, resume=True, end=False)]
    assert CONTINUE in sent
    assert START not in sent
    assert STOP not in sent


def test_the_click_is_general_midi_wood_blocks_on_channel_10():
    sent = list(rep_messages(timeline(), (), MidiSettings()))
    read = [mido.Message.from_bytes(timed.message) for timed in sent]
    struck = [message for message in read if message.type == "note_on"]
    assert [message.note for message in struck[:5]] == [76, 77, 77, 77, 76]
    assert {message.channel for message in read} == {9}
    assert len(read) == 2 * len(struck)


def test_a_click_s_note_ends_before_the_next_begins():
    strikes = tuple(Strike(Fraction(beat, 25)) for beat in range(10))
    sent = list(
        rep_messages(RepTimeline(strikes, Fraction(0), Fraction(1), {}, {}, float), (), MidiSettings())
    )
    sounding = 0
    for timed in sent:
        sounding += 1 if timed.message[0] & 0xF0 == 0x90 else -1
        assert 0 <= sounding <= 1


def test_messages_are_in_order_of_time():
    sent = list(rep_messages(timeline(137), ticks(137), BOTH))
    assert [timed.at_s for timed in sent] == sorted(timed.at_s for timed in sent)


class Player:
    def __init__(self, clock, start_s):
        self.clock, self.start_s = clock, start_s

    @property
    def position_s(self):
        return self.clock() - self.start_s


@pytest.fixture
def sent():
    return []


def test_the_sender_sends_everything_in_order_by_the_player_s_position(sent):
    import time

    done = threading.Event()

    def send(message):
        sent.append((time.monotonic(), tuple(message)))
        if message[0] == STOP:
            done.set()

    begin = time.monotonic() + 0.05
    sender = Sender(send)
    messages = list(rep_messages(timeline(300, 1, 2), ticks(300, 1, 2), BOTH))
    sender.play(messages, Player(time.monotonic, begin))
    assert done.wait(5)
    sender.close()
    assert [message for _, message in sent] == [timed.message for timed in messages]
    assert all(
        at_s - begin >= float(timed.at_s) - 0.001 for (at_s, _), timed in zip(sent, messages, strict=True)
    )


def test_stopping_in_the_middle_stops_the_receiver_once_and_sends_no_more(sent):
    import time

    started = threading.Event()

    def send(message):
        sent.append(tuple(message))
        if message[0] == START:
            started.set()

    sender = Sender(send)
    sender.play(
        rep_messages(timeline(300, 0, 400), ticks(300, 0, 400), BOTH),
        Player(time.monotonic, time.monotonic()),
    )
    assert started.wait(5)
    sender.stop()
    count = len(sent)
    sender.stop()
    sender.close()
    assert sent[-1] == (STOP,)
    assert sent.count((STOP,)) == 1
    assert len(sent) == count


def test_a_stalled_machine_makes_no_burst_of_old_clicks(sent):
    done = threading.Event()

    class Late:
        position_s = 100.0

    def send(message):
        sent.append(tuple(message))
        if message[0] == STOP:
            done.set()

    sender = Sender(send)
    late = [
        Timed(Fraction(0), 3, (0x99, 77, 80)),
        Timed(Fraction(1), 0, (0x89, 77, 0)),
        Timed(Fraction(2), 1, (STOP,)),
    ]
    sender.play(late, Late())
    assert done.wait(5)
    sender.close()
    assert sent == [(0x89, 77, 0), (STOP,)]


@pytest.mark.skipif(not hasattr(os, "sched_setscheduler"), reason="priorities are set on Linux only")
@pytest.mark.parametrize("allowed", [True, False])
def test_while_it_plays_the_program_goes_before_others_where_the_system_lets_it(monkeypatch, allowed):
    """sched(7): a thread of SCHED_RR goes before all of SCHED_OTHER, and of two such the one of higher priority."""
    me, clicked, ended = threading.get_native_id(), threading.Event(), threading.Event()
    at: dict[int, tuple[int, int]] = {}
    tried = []

    def place(thread, policy, param):
        tried.append(thread)
        if not allowed:
            raise PermissionError
        at[thread] = (policy, param.sched_priority)
        if thread == me and policy == os.SCHED_OTHER:
            ended.set()

    def play():
        sender.play(
            [Timed(Fraction(0), 3, (0x99, 77, 80)), Timed(Fraction(9), 0, (0x89, 77, 0))],
            Player(lambda: 0.1, 0),
        )

    monkeypatch.setattr(os, "sched_setscheduler", place)
    monkeypatch.setattr(os, "sched_getscheduler", lambda thread: at.get(thread, (os.SCHED_OTHER, 0))[0])
    sender = Sender(lambda _: clicked.set())
    play()
    assert clicked.wait(5)
    hurried = os.SCHED_RR | os.SCHED_RESET_ON_FORK
    assert me in tried
    assert at.get(me, (hurried, 1)) == (hurried, 1)
    assert at.get(sender._thread.native_id, (hurried, 2)) == (hurried, 2)
    assert bool(at) == allowed
    sender.stop()
    assert ended.wait(5) or not allowed
    at[me] = (os.SCHED_FIFO, 10)
    play()
    sender.close()
    assert at[me] == (os.SCHED_FIFO, 10), "what a sound system has put higher stays there"
