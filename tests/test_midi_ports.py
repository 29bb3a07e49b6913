"""Ports are named when missing, looked after while open, and taken up again when they come back."""

import sys

import pytest

from coach.ground.problem import CoachError, Problem
from coach.midi.ports import Link, list_ports, load_rtmidi
from tests.waiting import wait_for


class FakePort:
    def __init__(self, rack, name):
        self.rack, self.name, self.sent, self.closed, self.broken = rack, name, [], False, False

    def is_there(self):
        return self.name in self.rack.names

    def send(self, message):
        if self.broken:
            raise OSError("gone")
        self.sent.append(tuple(message))

    def close(self):
        self.closed = True


class Rack:
    """MIDI ports in the test's hands."""

    def __init__(self):
        self.names, self.opened = ["Pad One"], []

    def open(self, direction, name, received):
        for full in self.names:
            if name.casefold() in full.casefold():
                self.opened.append(FakePort(self, full))
                return self.opened[-1]
        raise CoachError(Problem(f"no MIDI {direction}put port called {name!r}; there are: none"))


@pytest.fixture
def rack():
    return Rack()


def link_to(rack, name="pad"):
    return Link("out", name, opener=rack.open)


def test_a_link_connects_and_sends(rack):
    link = link_to(rack)
    assert not link.send((0xF8,))
    link.tend()
    assert link.send((0xF8,))
    assert rack.opened[0].sent == [(0xF8,)]
    assert link.status == "MIDI out: Pad One"


def test_a_port_that_is_not_there_is_named(rack):
    link = link_to(rack, "organ")
    link.tend()
    assert "no MIDI output port called 'organ'" in link.status


def test_a_port_that_vanishes_is_closed_and_taken_up_again_when_it_is_back(rack):
    link = link_to(rack)
    link.tend()
    rack.names = []
    link.tend()
    assert rack.opened[0].closed
    assert "Pad One is gone" in link.status
    assert not link.send((0xF8,))
    link.tend()
    rack.names = ["Pad One"]
    link.tend()
    assert link.send((0xF8,))
    assert link.status == "MIDI out: Pad One"


def test_a_driver_that_fails_while_sending_is_a_port_that_is_gone(rack):
    link = link_to(rack)
    link.tend()
    rack.opened[0].broken = True
    assert not link.send((0xF8,))
    assert rack.opened[0].closed
    link.tend()
    assert link.send((0xF8,))


def test_closing_ends_the_thread_and_the_port(rack):
    link = link_to(rack)
    link.open()
    wait_for(lambda: link.port is not None, "the port")
    link.close()
    assert rack.opened[0].closed


def test_without_the_library_there_is_one_line_that_says_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    with pytest.raises(CoachError, match=r"MIDI needs python-rtmidi: pip install"):
        load_rtmidi()


class VanishingLibrary:
    """python-rtmidi's names, with one interface; what it finds each time that its ports are asked for is given."""

    class RtMidiError(Exception):
        pass

    class SystemError(RtMidiError):
        pass

    class InvalidPortError(RtMidiError, ValueError):
        pass

    def __init__(self, *answers):
        self.answers = iter(answers)
        self.MidiIn = self.MidiOut = lambda api, name: self

    def get_compiled_api(self):
        return [1]

    def get_api_display_name(self, api):
        return "Some"

    def get_ports(self):
        answer = next(self.answers)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def delete(self):
        pass


LEFT = ["Pad One", "Keys"]


@pytest.mark.parametrize(
    ("answers", "listed"),
    [
        ((VanishingLibrary.InvalidPortError("port 2"), LEFT), LEFT),
        (([None, "Keys"], LEFT), LEFT),
        ((VanishingLibrary.InvalidPortError("port 2"),) * 3, []),
        ((["Pad One", None],) * 3, ["Pad One"]),
    ],
)
def test_a_port_that_vanishes_while_ports_are_listed_is_left_out(monkeypatch, answers, listed):
    monkeypatch.setattr("coach.midi.ports.load_rtmidi", lambda: VanishingLibrary(*answers))
    assert [port.name for port in list_ports("in")] == listed
