"""`coach sound`: devices, a test, what an input hears, how late the sound is, and an offset by tapping."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from coach.commands.common import places_of, say, say_json, tell
from coach.commands.options import Arguments, Options, Within
from coach.commands.terminal_keys import terminal_keys
from coach.folder.settings import load_settings, save_settings
from coach.ground.problem import CoachError, UsageError
from coach.sound.device import list_devices
from coach.sound.latency import measure_loop, offset_from_taps
from coach.sound.player import Player, SoundState
from coach.sound.settings import SoundSettings
from coach.sound.timeline import Strike
from coach.strings.node import Node

if TYPE_CHECKING:
    from coach.sound.engine import Engine

TAP_TEMPO_BPM = 90
TAP_BEATS = 24
_OPENING_S = 5.0
NONE_FOUND = {
    "output": "no sound card found: sessions run in silent mode, the screen shows the beat",
    "input": "no microphone or other input found: the coach can't listen; everything else works",
}


def configure(options: Options) -> None:
    """Declare the options of `coach sound`."""
    options.add_argument(
        "what",
        nargs="?",
        default="list",
        choices=("list", "test", "input", "latency", "tap"),
        help="list devices (the default), play a test, show the input's level, measure the latency, "
        "or set the offset by tapping",
    )
    options.text("--device NAME", "the output's name, or part of it")
    options.text("--input NAME", "the microphone's or other input's name, or part of it")
    options.number("--seconds S", Within(1, 600, "s"), "how long `input` listens (default: 10)", default=10.0)
    options.flag("--save", "save device, input and offset in the settings (of latency only a negative one)")
    options.json()
    options.folder()


def run(arguments: Arguments) -> int:
    """Carry out `coach sound`."""
    places = places_of(arguments)
    settings = load_settings(places.settings).sound
    wishes = {name: getattr(arguments, name) for name in ("device", "input")}
    changes: dict[str, Any] = {name: wish for name, wish in wishes.items() if wish is not None}
    settings = replace(settings, **changes)
    if arguments.what == "list":
        _list(settings, arguments.json)
    elif arguments.what == "input":
        # Its level is worked out with numpy.
        from coach.commands.sound_input import hear_input

        hear_input(settings.input, arguments.seconds, arguments.json)
    else:
        changes |= _play(arguments.what, settings, arguments.json)
    if arguments.save and changes:
        save_settings(places.settings, {"sound": changes})
        say(f"saved in {places.settings}", to=sys.stderr)
    elif "offset_ms" in changes:
        say("the same with --save keeps this offset, which puts the screen right", to=sys.stderr)
    return 0


def _play(what: str, settings: SoundSettings, as_json: bool) -> dict[str, Any]:
    """What needs a sounding card; returns what it found for the settings."""
    if what == "tap" and not sys.stdin.isatty():
        raise UsageError("needs a terminal to tap in", "sound tap")
    engine = _sounding(settings.device)
    try:
        if what == "test":
            _test(engine, settings, as_json)
        elif what == "latency":
            extra_ms = _latency(engine, settings.input, as_json)
            # What is positive holds the input's own delay.
            return {"offset_ms": extra_ms} if extra_ms is not None and extra_ms < 0 else {}
        else:
            return {"offset_ms": _tap(engine, settings, as_json)}
    finally:
        engine.close()
    return {}


def _list(settings: SoundSettings, as_json: bool) -> None:
    kinds = (
        ("output", list_devices(inputs=False), settings.device),
        ("input", list_devices(inputs=True), settings.input),
    )
    if as_json:
        rows = [
            {"kind": kind, "name": one.name, "interface": one.interface, "rates_hz": one.rates_hz}
            for kind, devices, _wish in kinds
            for one in devices
        ]
        say_json(rows)
        return
    used = False
    for kind, devices, wish in kinds:
        say(f"{kind}s:" if devices else NONE_FOUND[kind])
        fits = (
            one for one in devices if (wish.casefold() in one.name.casefold() if wish else one.is_default)
        )
        chosen = next(fits, None)
        used |= chosen is not None
        for one in devices:
            say(f"{'*' if one is chosen else ' '} {one.name}  ({one.interface}, {_rates(one.rates_hz)})")
        if wish and chosen is None:
            say(f"there is no {kind} called {wish!r}", to=sys.stderr)
    if used:
        say("* what the coach uses")


def _rates(rates_hz: tuple[int, ...] | None) -> str:
    if rates_hz is None:
        return "rates unknown: another program may be using it"
    return ", ".join(str(rate) for rate in rates_hz) or "any rate"


def _sounding(device: str) -> Engine:
    """An engine whose device asks for blocks; CoachError where none does within five seconds."""
    from coach.sound.engine import Engine

    engine = Engine(device=device)
    engine.open()
    deadline = time.monotonic() + _OPENING_S
    while not engine.sounding:
        if time.monotonic() > deadline or engine.status.state is SoundState.SILENT:
            status = engine.status
            engine.close()
            raise CoachError(status.why, guess="`coach sound list` shows what there is")
        time.sleep(0.02)
    return engine


def _test(engine: Engine, settings: SoundSettings, as_json: bool) -> None:
    """Two bars of click, then an open string and the harmonic of its octave."""
    from coach.sound.render import RepSound
    from coach.sound.tones import Tone

    strikes = [Strike(Fraction(beat, 2), "beat" if beat % 4 else "accent") for beat in range(8)]
    tones = [Tone(4, 1.5, 73.4162, fret=0), Tone(6, 2.0, 73.4162, Node(1, 2))]
    if not as_json:
        say(f"{engine.status}: two bars of click, then an open D and its harmonic at 12")
    engine.play(RepSound(strikes, tones, engine.rate, sound=settings.click, volume_db=settings.click_db))
    while not engine.finished:
        time.sleep(0.02)
    row = {"status": str(engine.status), "blocks": engine.calls, "late_blocks": engine.late_calls}
    late = f"{engine.late_calls} blocks came late" if engine.late_calls else "no block came late"
    facts = {**row, "latency_ms": round(engine.latency_s * 1000, 1)}
    tell(as_json, facts, [f"played; {late}"], None)


def earlier_text(offset_ms: float) -> str:
    """What a negative offset means."""
    return (
        f"negative: you hear the click {-offset_ms:g} ms earlier than calculated, because the way from "
        "program to ear is shorter than the sound system says"
    )


def _latency(engine: Engine, name: str, as_json: bool) -> float | None:
    """Tell the latency; what comes on top of the queue, in ms, where it was measured."""
    queue_ms = round(engine.latency_s * 1000, 1)
    row: dict[str, Any] = {"status": str(engine.status), "queue_ms": queue_ms, "extra_ms": None}
    why, extra_ms = "", None
    try:
        loop = measure_loop(engine, name)
        row["extra_ms"] = extra_ms = round(loop.offset_s * 1000, 1)
        row["spread_ms"] = round(loop.spread_s * 1000, 1)
    except CoachError as error:
        why = str(error)
    lines = [str(engine.status), f"queued ahead: {queue_ms:g} ms; the screen allows for that"]
    if extra_ms is None:
        lines.append(f"on top of that: not measured ({why}); `coach sound tap` sets it by ear")
    else:
        spread = f"at most (spread {row['spread_ms']:g} ms)"
        lines.append(f"on top of that: {extra_ms:g} ms through card, air and input, {spread}")
        lines += [earlier_text(extra_ms)] if extra_ms < 0 else []
    tell(as_json, {**row, "why": why} if why else row, lines, None)
    return extra_ms


def _tap(engine: Engine, settings: SoundSettings, as_json: bool) -> float:
    say(
        f"Tap the space bar with the click for {TAP_BEATS} beats at {TAP_TEMPO_BPM} bpm; q stops.",
        to=sys.stderr,
    )
    with terminal_keys() as keys:
        offset_ms, spread_ms = tap_along(engine, keys, settings)
    refuse_impossible(offset_ms, engine.latency_s * 1000)
    told = f"offset {offset_ms:g} ms (taps within {spread_ms:g} ms; allows for taps coming 50 ms early)"
    lines = [told, earlier_text(offset_ms)] if offset_ms < 0 else [told]
    tell(as_json, {"offset_ms": offset_ms, "spread_ms": spread_ms}, lines, None)
    return offset_ms


def refuse_impossible(offset_ms: float, queue_ms: float) -> None:
    """CoachError for an offset that has the player hear a click before the sound card got it."""
    if offset_ms < -queue_ms:
        raise CoachError(
            f"an offset of {offset_ms:g} ms is impossible: the sound card gets a click only {queue_ms:g} ms ahead",
            guess="tap with the click, not before it",
        )


def tap_along(player: Player, keys: Iterable[str], settings: SoundSettings) -> tuple[float, float]:
    """Play the click and take each key as a tap, until `q` or the end; (offset, spread) in ms.

    The first four beats are to find the tempo. CoachError where the taps tell nothing.
    """
    from coach.sound.render import RepSound

    beats = [Fraction(60 * beat, TAP_TEMPO_BPM) for beat in range(TAP_BEATS)]
    strikes = [Strike(at_s, "beat" if beat % 4 else "accent") for beat, at_s in enumerate(beats)]
    before, player.offset_s = player.offset_s, 0.0
    player.play(RepSound(strikes, (), player.rate, sound=settings.click, volume_db=settings.click_db))
    taps: list[float] = []
    last_s = float(beats[-1]) - 0.3
    try:
        for key in keys:
            position_s = player.position_s
            if key == "q":
                break
            if position_s > float(beats[3]) + 0.3:
                taps.append(position_s)
            if position_s > last_s:
                break
    finally:
        player.stop()
        player.offset_s = before
    result = offset_from_taps(taps, [float(at_s) for at_s in beats])
    return round(result.offset_s * 1000, 1), round(result.spread_s * 1000, 1)
