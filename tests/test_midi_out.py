"""MIDI click and clock: what is sent, in which order, and when."""

import json
import threading
from fractions import Fraction

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.midi import port_process
from coach.midi.out import OutPort, Timed, rep_messages
from coach.midi.sender import CLOCK, CONTINUE, START, STOP, Sender
from coach.midi.settings import MidiSettings
from coach.sound.player import now_s
from coach.sound.timeline import RepTimeline, Strike
from tests.waiting import LONGEST_S, wait_for


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


@pytest.fixture
def sent():
    return []


def started_sender(sent, until):
    """(a sender, what is set once it has sent this status)."""
    done = threading.Event()

    def send(message):
        sent.append((now_s(), tuple(message)))
        if message[0] == until:
            done.set()

    return Sender(send), done


def in_seconds(messages):
    return [(float(timed.at_s), timed.message) for timed in messages]


def test_the_sender_sends_everything_in_order_and_nothing_before_it_is_due(sent):
    sender, done = started_sender(sent, STOP)
    messages = in_seconds(rep_messages(timeline(300, 1, 2), ticks(300, 1, 2), BOTH))
    begin = now_s() + 0.05
    sender.expect(begin, messages)
    assert done.wait(LONGEST_S)
    sender.close()
    assert [message for _, message in sent] == [message for _, message in messages]
    assert all(at_s - begin >= due_s for (at_s, _), (due_s, _) in zip(sent, messages, strict=True))


def test_where_the_music_is_holds_for_what_was_handed_over_before(sent):
    sender, done = started_sender(sent, STOP)
    sender.expect(now_s() + 60, [(0.0, (CLOCK,)), (0.1, (STOP,))])
    sender.expect(now_s(), [])
    assert done.wait(LONGEST_S)
    sender.close()
    assert [message for _, message in sent] == [(CLOCK,), (STOP,)]


def test_stopping_in_the_middle_stops_the_receiver_once_and_sends_no_more(sent):
    sender, started = started_sender(sent, START)
    sender.expect(now_s(), in_seconds(rep_messages(timeline(300, 0, 40), ticks(300, 0, 40), BOTH)))
    assert started.wait(LONGEST_S)
    sender.stop()
    count = len(sent)
    sender.stop()
    sender.close()
    assert sent[-1][1] == (STOP,)
    assert [message for _, message in sent].count((STOP,)) == 1
    assert len(sent) == count


def test_what_is_taken_back_is_not_sent_and_no_click_hangs(sent):
    """MIDI 1.0: 9n note on, 8n note off, of the same key and channel."""
    sender, struck = started_sender(sent, 0x99)
    sender.expect(now_s(), [(0.0, (0x99, 77, 80)), (0.3, (0x89, 77, 0)), (0.3, (STOP,))])
    assert struck.wait(LONGEST_S)
    sender.withdraw()
    sender.expect(now_s(), [(0.0, (CLOCK,))])
    sender.close()
    assert [message for _, message in sent][:2] == [(0x99, 77, 80), (0x89, 77, 0)]
    assert (STOP,) not in [message for _, message in sent]


def test_a_stalled_machine_makes_no_burst_of_old_clicks(sent):
    sender, done = started_sender(sent, STOP)
    sender.expect(now_s() - 100, [(0.0, (0x99, 77, 80)), (1.0, (0x89, 77, 0)), (2.0, (STOP,))])
    assert done.wait(LONGEST_S)
    sender.close()
    assert [message for _, message in sent] == [(0x89, 77, 0), (STOP,)]


class Orders:
    """Stands for the process of a port: keeps what it is told, and says that the port is open until it ends."""

    def __init__(self):
        self.told, self.over = [], threading.Event()
        self.stdin, self.stdout = self, self.lines()

    def __enter__(self):
        return self

    def __exit__(self, *raised):
        pass

    def lines(self):
        yield '["port", "ear", "MIDI out: ear"]\n'
        self.over.wait()

    def write(self, line):
        self.told.append(json.loads(line))

    def flush(self):
        pass

    def close(self):
        self.over.set()

    def wait(self, seconds):
        pass

    def due_s(self):
        """When all is due that was handed over, by the origin that holds."""
        origin_s = [order[1] for order in self.told if order[0] == "expect"][-1]
        return [origin_s + at_s for order in self.told if order[0] == "expect" for at_s, _ in order[2]]


class Player:
    """The music, which began at a moment of the clock."""

    def __init__(self, start_s):
        self.start_s = start_s

    def position_s_at(self, when_s):
        return when_s - self.start_s


@pytest.fixture
def process(monkeypatch):
    orders = Orders()
    monkeypatch.setattr(port_process, "_start", lambda *words: orders)
    return orders


def test_a_port_is_handed_what_is_due_soon_and_when_by_the_clock(process):
    port = OutPort("ear")
    port.open()
    assert port.is_open.wait(LONGEST_S)
    assert port.status == "MIDI out: ear"
    begin_s = now_s() - 10
    late = [Timed(Fraction(at_s), 2, (CLOCK,)) for at_s in (10, Fraction(21, 2), 70)]
    port.play(late, Player(begin_s))
    assert process.told[0] == ["withdraw"]
    assert process.due_s() == pytest.approx([begin_s + 10, begin_s + 10.5], abs=1e-6)
    port.close()
    assert process.told[-1] == ["stop"]


def test_a_port_whose_process_has_ended_gets_another(monkeypatch):
    """As when a driver crashes."""
    begun, twice = [], threading.Event()

    def start(*words):
        begun.append(Orders())
        if len(begun) == 1:
            begun[0].over.set()
        else:
            twice.set()
        return begun[-1]

    monkeypatch.setattr(port_process, "_start", start)
    monkeypatch.setattr(port_process, "RETRY_S", 0.01)
    port = OutPort("ear")
    port.open()
    assert twice.wait(LONGEST_S)
    port.close()


def test_the_process_ends_with_its_orders_and_says_how_its_port_is():
    """The real one: nothing has a port of this name, or MIDI is missing altogether."""
    port = OutPort("no such port")
    port.open()
    process = port._process
    wait_for(lambda: "looking" not in port.status, "the look")
    assert "no MIDI output port called 'no such port'" in port.status or "python-rtmidi" in port.status
    assert not port.is_open.is_set()
    process.stdin.close()
    assert process.wait(LONGEST_S) == 0
    port.close()
