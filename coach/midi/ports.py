"""MIDI ports by way of python-rtmidi, imported only when a port is wanted: listing, opening, staying connected.

A port is named as the system names it; any part of the name finds it. `virtual` opens a port of our own that other
programs connect to. Every interface that the library has is looked through (ALSA and JACK on Linux). Messages that
come in are stamped on the first line of our own callback, since the driver's stamps are not on the player's clock.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Literal

from coach.ground.frozen import frozen
from coach.ground.problem import CoachError
from coach.midi.server_watch import ServerWatch
from coach.sound.player import now_s
from coach.sound.tended import Keeper

MIDI_MISSING = "MIDI needs python-rtmidi: pip install '.[midi]' in the clone of this project"
VIRTUAL = "virtual"
RETRY_S = 2.0
LISTINGS = 3
"""Ports can't vanish one after the other for longer."""
_NAME = "Wellrung"

Direction = Literal["in", "out"]
Received = Callable[[Sequence[int], float], None]
"""Called with a message's bytes and the moment, in the driver's thread."""


@frozen
class PortInfo:
    """One port as the system names it."""

    name: str
    direction: Direction
    interface: str
    api: int
    index: int


def load_rtmidi() -> Any:
    """The library; CoachError saying how to get it."""
    os.environ.setdefault("JACK_NO_START_SERVER", "1")
    try:
        import rtmidi
    except ImportError:
        raise CoachError(MIDI_MISSING) from None
    return rtmidi


def list_ports(direction: Direction | None = None) -> tuple[PortInfo, ...]:
    """Every port of every interface, inputs first. Raises CoachError where the library is missing."""
    rtmidi = load_rtmidi()
    ports = []
    for way in ("in", "out") if direction is None else (direction,):
        for api, client in _clients(rtmidi, way):
            interface = rtmidi.get_api_display_name(api)
            names = _names(rtmidi, client)
            ports += [PortInfo(name, way, interface, api, index) for index, name in enumerate(names) if name]
    return tuple(ports)


def _names(rtmidi: Any, client: Any) -> list[str | None]:
    """Every port's name by its number, which changes when one before it vanishes: then all are asked for again.

    A port that has vanished since they were counted is an error with some interfaces, and has no name with others.
    """
    names: list[str | None] = []
    for _ in range(LISTINGS):
        with contextlib.suppress(rtmidi.RtMidiError):
            names = client.get_ports()
            if all(names):
                break
    return names


def _clients(rtmidi: Any, direction: str) -> Iterator[tuple[int, Any]]:
    """A client of each interface that works here, deleted when the next is asked for."""
    for api in rtmidi.get_compiled_api():
        try:
            client = (rtmidi.MidiIn if direction == "in" else rtmidi.MidiOut)(api, name=f"{_NAME} look")
        except (rtmidi.SystemError, rtmidi.RtMidiError):
            continue
        try:
            yield api, client
        finally:
            client.delete()


class Port:
    """An open port."""

    def __init__(self, client: Any, name: str, own: bool, watch: ServerWatch | None) -> None:
        self.name = name
        self._client = client
        self._own = own
        self._watch = watch

    def send(self, message: Sequence[int]) -> None:
        self._client.send_message(message)

    def is_there(self) -> bool:
        """Whether the system still has it."""
        if self._watch is not None and self._watch.ended.is_set():
            return False
        # Asked of the open client: making a new one each time would disturb a JACK server's rhythm.
        return self._own or self.name in self._client.get_ports()

    def close(self) -> None:
        self._client.close_port()
        self._client.delete()
        # Last, since other clients that come or go are when JACK's library may crash at closing a port.
        if self._watch is not None:
            self._watch.close()


def open_port(direction: Direction, name: str, received: Received | None = None) -> Port:
    """Open the first port whose name holds `name`; CoachError where there is none or it refuses.

    An input calls `received` for every message but clock and active sensing.
    """
    rtmidi = load_rtmidi()
    if name == VIRTUAL:
        api, index, full_name = _virtual_api(rtmidi), None, f"{_NAME} (virtual)"
    else:
        ports = list_ports(direction)
        chosen = next((port for port in ports if name.casefold() in port.name.casefold()), None)
        if chosen is None:
            listed = ", ".join(repr(port.name) for port in ports) or "none"
            raise CoachError(f"no MIDI {direction}put port called {name!r}; there are: {listed}")
        api, index, full_name = chosen.api, chosen.index, chosen.name
    try:
        client = (rtmidi.MidiIn if direction == "in" else rtmidi.MidiOut)(api, name=_NAME)
        if index is None:
            client.open_virtual_port(direction)
        else:
            client.open_port(index, direction)
    except (rtmidi.SystemError, rtmidi.RtMidiError) as error:
        raise CoachError(f"MIDI port {full_name!r} can't be opened: {error}") from None
    if received is not None:
        client.ignore_types(sysex=True, timing=True, active_sense=True)

        def stamp(event: tuple[list[int], float], _data: object = None) -> None:
            at_s = now_s()
            received(event[0], at_s)

        client.set_callback(stamp)
    watch = ServerWatch() if _is_jack(rtmidi, api) else None
    return Port(client, full_name, index is None, watch)


def _virtual_api(rtmidi: Any) -> int:
    """The interface for a virtual port: JACK where its server runs, else the first."""
    for api, _client in _clients(rtmidi, "out"):
        if _is_jack(rtmidi, api):
            return api
    return int(rtmidi.get_compiled_api()[0])


def _is_jack(rtmidi: Any, api: int) -> bool:
    return str(rtmidi.get_api_display_name(api)).casefold() == "jack"


class Link:
    """A port that stays connected: opened when it is there, looked after, and opened again when it comes back.

    `status` is one clear line; `changed` is called when it, or whether there is a port, may have changed. All looking
    is done in a thread of its own, joined by `close`.
    """

    def __init__(
        self,
        direction: Direction,
        name: str,
        received: Received | None = None,
        *,
        opener: Callable[[Direction, str, Received | None], Port] = open_port,
        changed: Callable[[], None] = lambda: None,
    ) -> None:
        self.name = name
        self.status = f"MIDI {direction}: looking for {name!r}"
        self.port: Port | None = None
        self._direction: Direction = direction
        self._received = received
        self._opener = opener
        self._changed = changed
        self._keeper = Keeper(f"midi {direction}", self._look, lambda: RETRY_S)
        self._lock = threading.Lock()

    def open(self) -> None:
        """Start looking; returns at once."""
        self._keeper.start()

    def close(self) -> None:
        self._keeper.end()
        self._drop()

    def send(self, message: Sequence[int]) -> bool:
        """Send where connected; False where not, or where the port has just gone."""
        port = self.port
        if port is None:
            return False
        try:
            port.send(message)
        except Exception:
            # Drivers tell of a port that is gone by errors of their own kinds.
            self._drop()
            return False
        return True

    def tend(self) -> None:
        """One look: connect, or notice that the port is gone."""
        port = self.port
        if port is None:
            try:
                self.port = self._opener(self._direction, self.name, self._received)
                self.status = f"MIDI {self._direction}: {self.port.name}"
            except CoachError as error:
                self.status = str(error)
            self._changed()
        elif not port.is_there():
            self._drop()

    def _drop(self) -> None:
        with self._lock:
            port, self.port = self.port, None
        if port is not None:
            self.status = f"MIDI {self._direction}: {port.name} is gone; it is used again when it is back"
            with contextlib.suppress(Exception):
                port.close()
        self._changed()

    def _look(self) -> None:
        with contextlib.suppress(Exception):
            self.tend()
