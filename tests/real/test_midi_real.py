"""MIDI over a real JACK server: a second client hears the clock and the count-in, and presses a pedal."""

import json
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing, contextmanager
from datetime import date

import numpy as np
import pytest

from coach.cli import main
from coach.folder.actions import Phase
from coach.folder.settings import PracticeSettings
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.log.log import Log
from coach.midi.out import OutPort
from coach.midi.pedal import Moment, Trigger, guess_event, meaning
from coach.midi.rig import Rig
from coach.midi.settings import MidiSettings
from coach.music.drill import ClickPattern
from coach.music.excerpt import Excerpt
from coach.music.passages import passage_of
from coach.rating.fault import Fault
from coach.rating.table import CHOKED
from coach.session.events import Confirm, Go, Mark, SetTempo
from coach.session.host import Practice
from coach.sound.engine import Engine
from coach.sound.player import now_s
from coach.sound.timeline import rep_timeline
from tests.real.conftest import children_of, end, need_rtmidi, state_of
from tests.real.test_terminal_real import coach
from tests.samples import sample_drill
from tests.waiting import LONGEST_S, wait_for

pytestmark = pytest.mark.real

CLOCK, START, STOP = 0xF8, 0xFA, 0xFC
PROBE = (0xBF, 3, 0)
"""A control change that means nothing (MIDI 1.0: controller 3 is undefined)."""
AHEAD_S = 0.25

LISTENER = """
import json, sys, time, rtmidi
port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="Second")
port.ignore_types(sysex=True, timing=False, active_sense=True)
port.set_callback(lambda event, _: print(json.dumps([time.monotonic(), event[0]]), flush=True))
port.open_virtual_port("ear")
print("ready", flush=True)
sys.stdin.read()
"""
"""Another program with an input port: prints what comes, with its moment, until it is told that it is over.

It prints at once, since JACK's library may crash it when the sender's port is closed: `JackGraphManager::GetBuffer`
calls itself without end where it reads a port that the server is just releasing.
"""

PRESSER = """
import sys, time, rtmidi
port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="Second")
port.open_virtual_port("pedal")
print("ready", flush=True)
for line in sys.stdin:
    for message in line.split(";"):
        port.send_message([int(word) for word in message.split()])
"""
"""Another program with a pedal: sends the bytes that it reads, a line's messages one right after the other."""


def second_client(code):
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def tell(process, line):
    process.stdin.write(f"{line}\n")
    process.stdin.flush()


def press(process, *messages):
    """Send these, one right after the other."""
    tell(process, "; ".join(" ".join(map(str, message)) for message in messages))


class Ear:
    """A listener, and what it has heard: (moment, message), from the first that `is_connected` has not sent."""

    def __init__(self):
        self.process = second_client(LISTENER)
        self._heard = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self):
        for line in self.process.stdout:
            at_s, message = json.loads(line)
            self._heard.append((at_s, tuple(message)))

    @property
    def heard(self):
        return [(at_s, message) for at_s, message in self._heard if message != PROBE]

    def is_connected(self, probe):
        """Call `probe` until a PROBE comes: a connection that was only just made loses what is sent at once."""

        def probed():
            probe()
            return self._heard

        wait_for(probed, "the connection")

    def is_connected_to(self, port):
        assert port.is_open.wait(LONGEST_S)
        self.is_connected(lambda: port.order("expect", now_s(), [(0, PROBE)]))

    def has_stopped(self):
        """Whether the last that came is a stop."""
        return [message for _, message in self.heard[-1:]] == [(STOP,)]

    def close(self):
        """Let the listener end; all that came is heard then."""
        self.process.stdin.close()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
        self._reader.join()
        self.process.wait()
        self.process.stdout.close()


@pytest.fixture
def ear(jack):
    listener = Ear()
    yield listener
    listener.close()


@pytest.fixture
def pedal(jack):
    process = second_client(PRESSER)
    yield process
    end(process)


class Ahead:
    """A player whose rep is heard a quarter of a second after it is started, as a sound card's queue has it."""

    def __init__(self, player):
        self.player = player

    def position_s_at(self, when_s):
        return self.player.position_s_at(when_s) - AHEAD_S


def play_through(ear, settings, tempo_bpm):
    """One rep of a small phrase with a count-in on the rig; (the rep's start on the clock, its time line)."""
    drill = sample_drill()
    passage = passage_of(drill, Excerpt("lamps", ("lamp",)))
    timeline = rep_timeline(passage, tempo_bpm, ClickPattern(), 1)
    with Rig(settings) as rig:
        assert rig._out is not None
        ear.is_connected_to(rig._out)
        player = Engine(opener=None)
        player.play(np.zeros(round((float(timeline.end_s) + AHEAD_S) * player.rate), dtype=np.float32))
        asked_s = time.monotonic()
        begun = asked_s - player.position_s_at(asked_s) + AHEAD_S
        rig.play(passage, tempo_bpm, timeline, Ahead(player), drill.tempo.beat_whole)
        wait_for(lambda: player.finished, "the rep's end")
        if settings.clock:
            wait_for(ear.has_stopped, "the stop")
    return begun, timeline


def test_another_program_hears_the_clock_its_start_and_stop_and_the_count_in(ear):
    """MIDI 1.0 detailed specification, real-time messages: 24 clocks to the quarter. General MIDI percussion: channel
    10, keys 76 and 77. A machine that is busy sends late but never early, so the earliest of each bar shows the tempo;
    how far single ones stray: `python -m benchmarks --only midi`."""
    tempo_bpm = 200
    begun, timeline = play_through(ear, MidiSettings(out_port="ear", clock=True), tempo_bpm)
    heard = [(at_s - begun, message) for at_s, message in ear.heard]

    stamps = [at_s for at_s, message in heard if message == (CLOCK,)]
    quarters = round(float(timeline.end_s) * tempo_bpm / 60)
    due = np.arange(24 * quarters) / (24 * tempo_bpm / 60)
    assert len(stamps) == len(due)
    earliest = (stamps - due).reshape(-1, 4 * 24).min(axis=1)
    assert min(earliest) >= 0
    assert max(earliest) < 0.005

    order = [message[0] for _, message in heard if message[0] in (CLOCK, START, STOP)]
    count_in_quarters = float(timeline.count_in_s) * tempo_bpm / 60
    assert order.index(START) == round(24 * count_in_quarters)
    assert order[order.index(START) + 1] == CLOCK
    assert order[-1] == STOP

    struck = [(at_s, message[1]) for at_s, message in heard if message[0] == 0x99]
    strikes_s = [float(strike.at_s) for strike in timeline.strikes]
    assert [key for _, key in struck[:5]] == [76, 77, 77, 77, 76]
    assert len(struck) == len(strikes_s)
    off_s = np.array([at_s for at_s, _ in struck]) - np.array(strikes_s)
    assert 0 <= min(off_s) < 0.005


CLOCKED = """
import sys
import coach.midi.out
from coach.midi.rig import Rig
from coach.midi.settings import MidiSettings
from coach.music.drill import ClickPattern
from coach.music.excerpt import Excerpt
from coach.music.passages import passage_of
from coach.sound.engine import Engine
from coach.sound.player import now_s
from coach.sound.timeline import rep_timeline
from tests.samples import sample_drill
drill = sample_drill()
passage = passage_of(drill, Excerpt("lamps", ("lamp",)))
timeline = rep_timeline(passage, 40, ClickPattern(), 0)
coach.midi.out._AHEAD_S = 60.0
rig = Rig(MidiSettings(out_port="ear", clock=True))
rig.open()
rig._out.is_open.wait()
print("ready", flush=True)
while sys.stdin.readline() == "probe\\n":
    rig._out.order("expect", now_s(), [(0, (0xBF, 3, 0))])
player = Engine(opener=None)
player.play(range(10**9))
rig.play(passage, 40, timeline, player, drill.tempo.beat_whole)
sys.stdin.readline()
"""
"""A program that probes, then is in the middle of a repetition with clicks and the clock, all of it handed over."""


CLOCKS_A_SECOND = 24 * 40 / 60


def test_a_program_that_is_killed_leaves_no_receiver_running_and_no_click_hanging(ear):
    """What was handed over ahead of time is not sent either. MIDI 1.0: FC stop, 8n note off."""
    program = second_client(CLOCKED)
    (owner,) = children_of(program.pid)
    ear.is_connected(lambda: tell(program, "probe"))
    tell(program, "begin")
    wait_for(lambda: len(ear.heard) > 8, "the clock")
    program.kill()
    killed_s = time.monotonic()
    end(program)
    wait_for(lambda: state_of(owner) in ("", "Z"), "the port's own process to end")
    ear.close()
    assert ear.heard[-1][1] == (STOP,)
    late = [at_s for at_s, message in ear.heard if at_s > killed_s and message == (CLOCK,)]
    assert len(late) < 5 * CLOCKS_A_SECOND, "of those of twelve seconds that had been handed over"
    kinds = [message[0] for _, message in ear.heard]
    assert kinds.count(0x99) == kinds.count(0x89)


def test_a_pause_takes_back_at_once_what_was_handed_over(ear, monkeypatch):
    monkeypatch.setattr("coach.midi.out._AHEAD_S", 60.0)
    drill = sample_drill()
    passage = passage_of(drill, Excerpt("lamps", ("lamp",)))
    timeline = rep_timeline(passage, 40, ClickPattern(), 0)
    with Rig(MidiSettings(out_port="ear", clock=True)) as rig:
        assert rig._out is not None
        ear.is_connected_to(rig._out)
        player = Engine(opener=None)
        player.play(np.zeros(10 * player.rate, dtype=np.float32))
        rig.play(passage, 40, timeline, player, drill.tempo.beat_whole)
        wait_for(lambda: len(ear.heard) > 8, "the clock")
        stopped_s = time.monotonic()
        rig.stop()
        wait_for(ear.has_stopped, "the stop")
        time.sleep(1.5)
    ear.close()
    assert ear.heard[-1][1] == (STOP,)
    assert [message for _, message in ear.heard].count((STOP,)) == 1
    late = [at_s for at_s, message in ear.heard if at_s > stopped_s and message == (CLOCK,)]
    assert len(late) <= CLOCKS_A_SECOND, (
        "a busy machine takes a moment, but not what is left of the repetition"
    )


def test_a_pedal_s_presses_reach_the_log(pedal, tmp_path):
    """One pedal: a choke as it happens, then the rating; with bounces, and held."""
    now_ms = 1_772_470_800_000
    both = (Trigger.parse("cc 64"),)
    # On a busy machine the presses of this test come apart by more than a contact's bounces do.
    settings = MidiSettings(in_port="pedal", bindings={"clean": both, "choked": both}, bounce_ms=2000)
    lamp = Excerpt("lamps", ("lamp",))
    plan = Plan(date(2026, 3, 2), 10, (PlanItem(Purpose.CLIMB, 5, "Climb.", lamp, reps=6),))
    with Log.open(tmp_path / "log", "Ada", now_ms=now_ms) as log, Rig(settings) as rig:
        assert rig._in is not None
        assert rig._in.is_open.wait(LONGEST_S)
        player = Engine(opener=None)
        alone = PracticeSettings(pause_s=2)
        practice = Practice(
            log, plan, [sample_drill()], clock=lambda: (now_ms, 60), player=player, settings=alone
        )
        assert practice.send(SetTempo(tempo_bpm=80))
        assert practice.send(Go())
        assert practice.sounding is not None
        timeline = practice.sounding.timeline
        onsets = {label: float(at_s) for label, at_s in timeline.onsets_s.items()}
        last_s = max(onsets.values())
        harmonics = frozenset(
            event.label for event in practice.sounding.start.passage.events if event.is_harmonic
        )
        foot = settings.foot
        to_mark_s = onsets[sorted(harmonics)[1]] + foot.reaction_s
        wait_for(lambda: player.position_s >= to_mark_s, "the event to be marked")
        press(pedal, (0xB0, 64, 127), (0xB0, 64, 0), (0xB0, 64, 127), (0xB0, 64, 0))
        wait_for(lambda: len(rig._presses) > 0, "the press")
        (first,) = rig.take()
        at_s = player.position_s_at(first.at_s)
        assert to_mark_s <= at_s <= player.position_s
        # The machine may have taken its time to press: it is the harmonic that was due nearest to when it did.
        wanted = min(harmonics, key=lambda label: abs(onsets[label] + foot.reaction_s - at_s))
        assert meaning(first.actions, Moment(True, at_s, last_s), foot) == "choked"
        guess = guess_event(onsets, at_s, foot.reaction_s, harmonics)
        assert guess is not None
        assert guess.label == wanted
        wait_for(lambda: player.finished, "the rep's end")
        practice.tick()
        assert practice.session.phase is Phase.RATING
        practice.send(Mark(fault=Fault(guess.label, CHOKED)))
        press(pedal, (0xB0, 64, 127), (0xB0, 64, 127), (0xB0, 64, 127))
        wait_for(lambda: len(rig._presses) > 0, "the press")
        (second,) = rig.take()
        assert (
            meaning(second.actions, Moment(False, player.position_s_at(second.at_s), last_s, at_s), foot)
            == "clean"
        )
        assert practice.send(Confirm())
        (rep,) = log.reps()
        assert rep.faults == (Fault(wanted, CHOKED),)


def test_a_crash_in_the_library_of_the_pedal_s_port_takes_no_session_with_it(pedal):
    """As JACK's library does now and then where a port is closed: github.com/jackaudio/jack2/issues/216."""
    bindings = {"clean": (Trigger.parse("cc 64"),)}
    with Rig(MidiSettings(in_port="pedal", bindings=bindings)) as rig:
        assert rig._in is not None
        assert rig._in.is_open.wait(LONGEST_S)
        assert rig._in._process is not None
        rig._in._process.send_signal(signal.SIGSEGV)
        wait_for(lambda: not rig._in.is_open.is_set(), "the crash to be noticed")
        assert "looking for 'pedal'" in rig.status[0]
        assert rig._in.is_open.wait(LONGEST_S)
        with pressed_again_and_again(pedal, (0xB0, 64, 127), (0xB0, 64, 0)):
            wait_for(lambda: len(rig._presses) > 0, "the press")


@contextmanager
def pressed_again_and_again(process, *messages):
    """Press until the end of the block, since nothing says when a command begins to listen."""
    over = threading.Event()

    def foot():
        while not over.wait(0.3):
            press(process, *messages)

    thread = threading.Thread(target=foot)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def test_a_pedal_is_learned_and_watched_by_the_command(pedal, tmp_path, capsys):
    given = ["--port", "pedal", "--folder", str(tmp_path)]
    with pressed_again_and_again(pedal, (0xC0, 5)):
        assert main(["midi", "learn", "again", "--seconds", "60", *given]) == 0
        assert "again is now program 5 on 1 on " in capsys.readouterr().out
        assert "program 5 on 1" in (tmp_path / "settings.yaml").read_text()
        assert main(["midi", "watch", "--json", "--seconds", "3", *given]) == 0
    row = json.loads(capsys.readouterr().out.splitlines()[0])
    assert row["bytes"] == [0xC0, 5]
    assert row["actions"] == ["again"]


def test_the_output_test_sends_two_bars_even_to_a_receiver_that_is_held_up(ear, tmp_path, capsys):
    def hold_up():
        ear.process.send_signal(signal.SIGSTOP)
        time.sleep(0.1)
        ear.process.send_signal(signal.SIGCONT)

    busy = threading.Timer(2.5, hold_up)
    busy.start()
    assert main(["midi", "test", "--port", "ear", "--folder", str(tmp_path)]) == 0
    busy.join()
    wait_for(ear.has_stopped, "the end")
    heard = [message for _, message in ear.heard]
    assert [message[1] for message in heard if message[0] == 0x99] == [76, 77, 77, 77] * 2
    assert heard.count((CLOCK,)) == 8 * 24
    assert f"sent {8 * 2 + 8 * 24 + 2} messages" in capsys.readouterr().out


def test_ports_are_listed_by_name(ear):
    listed = subprocess.run([coach(), "midi", "list", "--json"], capture_output=True, text=True, check=True)
    assert any("ear" in row["name"] and row["direction"] == "out" for row in json.loads(listed.stdout))


def test_a_port_that_comes_back_is_taken_up_again(jack):
    with closing(OutPort("ear")) as port:
        with closing(Ear()):
            port.must_open()
        wait_for(lambda: not port.is_open.is_set(), "the loss to be noticed")
        assert "is gone" in port.status or "no MIDI" in port.status
        with closing(Ear()) as again:
            again.is_connected_to(port)
            port.order("expect", now_s(), [(0, (STOP,))])
            wait_for(again.has_stopped, "what is sent")


def test_without_a_server_there_are_no_jack_ports_and_no_noise():
    need_rtmidi()
    words = [sys.executable, "-m", "coach", "midi", "list", "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert not [port for port in json.loads(done.stdout) if port["interface"] == "JACK"]
    assert done.stderr == ""
