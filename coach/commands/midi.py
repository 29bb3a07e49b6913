"""`coach midi`: ports, what comes in, a test of what goes out, and which pedal means what."""

from __future__ import annotations

import queue
import sys
import time
from collections.abc import Generator, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, replace
from fractions import Fraction
from pathlib import Path

from coach.commands.common import places_of, say, say_json, tell
from coach.commands.options import Arguments, Options, Within
from coach.folder.settings import load_settings, save_settings
from coach.ground.problem import CoachError, Problem, UsageError
from coach.midi.out import OutPort, rep_messages
from coach.midi.pedal import ACTIONS, Pedals, actions_of, heard, is_latching, trigger_of
from coach.midi.port_process import PortProcess
from coach.midi.ports import list_ports
from coach.midi.settings import MidiSettings, clashes
from coach.sound.timeline import RepTimeline, Strike

TEST_TEMPO_BPM = 120
TEST_BEATS = 8
LONGEST_S = 86_400


def configure(options: Options) -> None:
    options.add_argument(
        "what",
        nargs="?",
        default="list",
        choices=tuple(ACTS),
        help="list ports (the default), watch what comes in, test (send two bars of click and clock), "
        "bind a pedal to an action, or take a binding away",
    )
    options.add_argument("action", nargs="?", default="", help=f"for learn and forget: {', '.join(ACTIONS)}")
    options.text("--port NAME", "the port's name, or part of it")
    options.number(
        "--seconds N",
        Within(0, LONGEST_S, "seconds"),
        "stop after this long (default: at Ctrl-C)",
        default=0.0,
    )
    options.json()
    options.folder()


def run(arguments: Arguments) -> int:
    """Carry out `coach midi`."""
    if arguments.what in ("learn", "forget"):
        if arguments.action not in ACTIONS:
            message = f"found {arguments.action!r}, expected one of {', '.join(ACTIONS)}"
            raise UsageError(message, f"midi {arguments.what}")
    elif arguments.action:
        raise UsageError(f"takes no {arguments.action!r}", f"midi {arguments.what}")
    places = places_of(arguments)
    settings = load_settings(places.settings).midi
    return ACTS[arguments.what](arguments, settings, places.settings)


def _port(asked: str | None, kept: str, direction: str) -> str:
    """The port to use: the one asked for, the one in the settings, or the only one that there is."""
    if asked or kept:
        return asked or kept
    ports = list_ports("in" if direction == "in" else "out")
    if len(ports) == 1:
        return ports[0].name
    if not ports:
        raise CoachError(f"there is no MIDI {direction}put port", guess="is it plugged in and switched on?")
    names = ", ".join(repr(port.name) for port in ports)
    raise UsageError(f"there are several ports: {names}", "--port", guess="name one, or part of its name")


def _list(arguments: Arguments, settings: MidiSettings, path: Path) -> int:
    ports = list_ports()
    lines = [f"{port.direction:3} {port.name}  ({port.interface})" for port in ports]
    none = "no MIDI ports found; `virtual` as a port's name opens one that other programs connect to"
    tell(arguments.json, list(map(asdict, ports)), lines or [none], None)
    return 0


def _incoming(name: str, seconds: float, told: str) -> Generator[tuple[Sequence[int], float]]:
    """Messages of an input port with their moments, until the time is over; what to do is `told` when it is open."""
    messages: queue.SimpleQueue[tuple[Sequence[int], float]] = queue.SimpleQueue()
    with closing(PortProcess("in", name, lambda message, at_s: messages.put((message, at_s)))) as port:
        port.must_open()
        say(f"{told} {port.full_name}", to=sys.stderr)
        until_s = time.monotonic() + seconds if seconds else float("inf")
        while time.monotonic() < until_s:
            with suppress(queue.Empty):
                yield messages.get(timeout=0.1)


def _watch(arguments: Arguments, settings: MidiSettings, path: Path) -> int:
    pedals, name = Pedals(), _port(arguments.port, settings.in_port, "in")
    first_s: float | None = None
    for message, at_s in _incoming(name, arguments.seconds, "watching"):
        first_s = at_s if first_s is None else first_s
        trigger = trigger_of(message)
        latching = trigger is not None and is_latching(trigger, settings.bindings)
        pedals, pressed = heard(pedals, message, at_s, settings.bounce_ms / 1000, latching)
        bound = actions_of(trigger, settings.bindings) if trigger and pressed else ()
        if arguments.json:
            say_json(
                {
                    "at_s": round(at_s - first_s, 4),
                    "bytes": list(message),
                    "trigger": str(trigger) if trigger else None,
                    "pressed": pressed,
                    "actions": list(bound),
                }
            )
        else:
            shown = " ".join(f"{byte:02X}" for byte in message)
            what = f"{trigger}{' pressed' if pressed else ''}" if trigger else "no pedal"
            does = f": {', '.join(bound)}" if bound else ""
            say(f"{at_s - first_s:9.3f}  {shown:9} {what}{does}", to=sys.stdout)
    return 0


def _test(arguments: Arguments, settings: MidiSettings, path: Path) -> int:
    """Two bars of click with the clock, paced by the clock alone."""
    import numpy as np

    from coach.sound.engine import Engine

    name, beat_s = _port(arguments.port, settings.out_port, "out"), Fraction(60, TEST_TEMPO_BPM)
    strikes = tuple(Strike(beat * beat_s, "beat" if beat % 4 else "accent") for beat in range(TEST_BEATS))
    end_s = TEST_BEATS * beat_s
    ticks = tuple(beat_s * tick / 24 for tick in range(TEST_BEATS * 24))
    timeline = RepTimeline(strikes, Fraction(0), end_s, {}, {}, float)
    messages = list(rep_messages(timeline, ticks, replace(settings, click=True, clock=True)))
    player = Engine(opener=None)
    with closing(OutPort(name)) as port:
        port.must_open()
        say(f"sending two bars at {TEST_TEMPO_BPM} bpm to {name}: keys on channel {settings.channel}, clock")
        # A connection that was only just made loses what is sent at once.
        time.sleep(0.2)
        player.play(np.zeros(round(float(end_s + 1) * player.rate), dtype=np.float32))
        port.play(messages, player)
        while player.position_s < float(end_s) + 0.1:
            time.sleep(0.02)
    if port.sent < len(messages):
        raise CoachError(
            f"{port.sent} of {len(messages)} messages went out",
            name,
            guess="was it unplugged, or is this machine too busy?",
        )
    say(f"sent {port.sent} messages")
    return 0


def _learn(arguments: Arguments, settings: MidiSettings, path: Path) -> int:
    name = _port(arguments.port, settings.in_port, "in")
    pedals, trigger = Pedals(), None
    told = f"press the switch for {arguments.action} on"
    with closing(_incoming(name, arguments.seconds, told)) as incoming:
        for message, at_s in incoming:
            pedals, pressed = heard(pedals, message, at_s, settings.bounce_ms / 1000)
            if pressed:
                trigger = trigger_of(message)
                break
    if trigger is None:
        raise CoachError("nothing was pressed", f"midi learn {arguments.action}")
    bound = {arguments.action: (trigger,)}
    problems = [
        Problem(message, field=f"midi.bindings.{action}")
        for action, _, message in clashes({**settings.bindings, **bound})
    ]
    if problems:
        raise CoachError(problems)
    save_settings(path, {"midi": {"in_port": name, "bindings": bound}})
    say(f"{arguments.action} is now {trigger} on {name}; saved in {path}")
    return 0


def _forget(arguments: Arguments, settings: MidiSettings, path: Path) -> int:
    save_settings(path, {"midi": {"bindings": {arguments.action: None}}})
    say(f"{arguments.action} now has no pedal; saved in {path}")
    return 0


ACTS = {"list": _list, "watch": _watch, "test": _test, "learn": _learn, "forget": _forget}
