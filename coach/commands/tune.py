"""`coach tune`: which harmonics to compare, how they beat, what drifts, a way that avoids it, and how it sounds."""

from __future__ import annotations

import io
import itertools
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from textwrap import wrap
from typing import Any

from coach.commands.common import (
    clock,
    places_of,
    refuse_unfit,
    say,
    tell,
    write_output,
)
from coach.commands.instrument_options import (
    add_instrument,
    described,
    instrument_from,
    string_index,
)
from coach.commands.options import Arguments, Options, Within
from coach.ground.digits import rounded
from coach.ground.problem import UsageError
from coach.sound.player import RATE
from coach.strings import tuning
from coach.strings.instrument import Instrument
from coach.strings.tuning import Heard, Pair, Range, Ranges
from coach.strings.units import nearest_note, note_name
from coach.words.names import pair_name, touch_name

CENTS_RANGE = (-100.0, 100.0)
STRIKES = 3
NODES_OF_OCTAVES = {2: "<12>", 4: "<5>", 8: "<2.3>", 16: "<1.1>"}
SHOWN_HZ = 0.005
COUNTABLE_HZ = 2.0
"""Beats faster than this can't be counted by ear, so that they are no guide to tuning."""

PRINT, HEAR, WRITE = "the printed text", "--hear", "-o FILE"
LISTEN, FROM = "--listen", "--listen --from FILE.wav"
WAYS_OF = {
    "pair": (HEAR, FROM, WRITE),
    "tone": (HEAR, FROM, WRITE),
    "cents": (HEAR, WRITE),
    "silent": (HEAR,),
    "reference": (PRINT, LISTEN, FROM),
    "json": (PRINT, FROM),
}
"""The ways to use the tuning that take each option."""


def configure(options: Options) -> None:
    """Declare the options of `coach tune`."""
    add_instrument(options)
    options.text("--reference STRING", "the string to tune the others to (default: the lowest; A if bowed)")
    options.text("--pair LOW-HIGH", "the two strings, as in E-A (default: the first pair)")
    options.text("--tone STRING", "this open string instead of a pair")
    options.number(
        "--cents CENTS",
        Within(*CENTS_RANGE, "cents"),
        "detune the higher string of the pair by this much (default: 0)",
        default=0.0,
    )
    options.flag(
        "--hear", "hear the pair on the tuning screen, where the arrow keys detune its higher string"
    )
    options.flag("--silent", "with --hear: no sound, only the numbers")
    options.flag(
        "--listen", "listen to your strings through the microphone, and say which peg to turn which way"
    )
    options.text(
        "--from FILE.wav",
        "with --listen: a recording instead of the microphone, of --pair, of --tone, "
        "or with `--tone all` of one pluck of each open string, lowest first",
        dest="take",
    )
    options.flag(
        "--save",
        "with --tone all, where the settings name no instrument: save this one with what was heard of it",
    )
    options.output("write the pair or the tone to a WAV file")
    options.json()
    options.folder()


def run(arguments: Arguments) -> int:
    """Print the tuning, write it as WAV, or let it be heard."""
    instrument = instrument_from(arguments)
    if len(instrument.strings) < 2:
        raise UsageError("one string can't be compared with anything; give two or more", "--strings")
    ranges = tuning.stiffness_ranges(instrument)
    reference = tuning.usual_reference(instrument)
    if arguments.reference is not None:
        reference = string_index(instrument, arguments.reference, "--reference")
    if arguments.take is not None and not arguments.listen:
        raise UsageError("needs --listen", "--from")
    if arguments.save and (arguments.take is None or arguments.tone != "all"):
        raise UsageError("needs --listen --from FILE.wav --tone all", "--save")
    refuse_unfit(arguments, WAYS_OF, _way(arguments))
    if arguments.pair is not None and arguments.tone is not None:
        raise UsageError("is one string instead of a pair; choose one of the two", "--tone")
    if arguments.tone is not None and arguments.cents:
        raise UsageError("moves the higher string of a pair; with --tone there is none", "--cents")
    if arguments.output is not None:
        if arguments.output != "-" and Path(arguments.output).suffix.lower() != ".wav":
            message = "the sound is written as WAV, in a file whose name ends in .wav"
            raise UsageError(message, arguments.output, guess=f"-o {Path(arguments.output).stem}.wav")
        return _write(instrument, arguments)
    if arguments.take is not None:
        return _judge(instrument, arguments, reference)
    if arguments.hear or arguments.listen:
        return _on_screen(instrument, arguments, reference)
    facts, lines = _facts(instrument, reference, ranges), _lines(instrument, reference, ranges)
    tell(arguments.json, rounded(facts), lines)
    return 0


def _way(arguments: Arguments) -> str:
    """What the tuning is to be used for; UsageError where that is several things."""
    listen = LISTEN if arguments.take is None else FROM
    given = {HEAR: arguments.hear, listen: arguments.listen, WRITE: arguments.output is not None}
    ways = [way for way, chosen in given.items() if chosen]
    if len(ways) > 1:
        raise UsageError(f"does not go with {ways[1]}; choose one of the two", ways[0])
    return ways[0] if ways else PRINT


def _lines(instrument: Instrument, reference: int, ranges: Ranges) -> Iterator[str]:
    yield f"Tuning by harmonics: {described(instrument)}"
    if any(high for _low, high in ranges):
        yield f"B is rarely known to better than a factor of {tuning.STIFFNESS_SPREAD:g}, so there are ranges:"
        each = zip(range(len(ranges)), ranges, strict=True)
        parts = [f"{instrument.string_label(string)} {low:g} to {high:g}" for string, (low, high) in each]
        yield from wrap("; ".join(parts) + ".", 79)
    yield from ("", *_pair_lines(instrument, ranges), "", *_drift_lines(instrument, reference, ranges), "")
    ways = tuning.from_reference(instrument, reference, ranges)
    yield from (_stopped_lines if instrument.fretted else _fretless_lines)(instrument, reference, ways)


def _pair_lines(instrument: Instrument, ranges: Ranges) -> Iterator[str]:
    label = instrument.string_label
    yield "Pairs to compare, and how they beat when both strings are in equal temperament:"
    pairs = tuning.adjacent_pairs(instrument, ranges)
    beats = [_beats(pair.beats_hz) for pair in pairs]
    wide = max((len(text) for text in beats), default=0) + 2
    yield f"  lower    higher        sounds  {'beats':<{wide}}apart"
    for pair, text in zip(pairs, beats, strict=True):
        midi, _cents = nearest_note(pair.low_hz, instrument.a4_hz)
        yield (
            f"  {_touch(instrument, pair, low=True):<8} {_touch(instrument, pair, low=False):<8} "
            f"{note_name(midi):>4} {pair.low_hz:8.2f} Hz  {text:<{wide}}{_cents_text(pair.offset_cents)}"
        )
    for low, high in itertools.pairwise(tuning.by_pitch(instrument)):
        if tuning.pair_between(instrument, low, high) is None:
            yield f"  {label(low)} and {label(high)}: no partials up to 9 come close enough"


def _drift_lines(instrument: Instrument, reference: int, ranges: Ranges) -> Iterator[str]:
    label = instrument.string_label
    each = "In fifths, each" if tuning.in_pure_fifths(instrument) else "If you tune each pair"
    yield f"{each} beatless, starting from {label(reference)}:"
    drifts = tuning.beatless_drift(instrument, reference, ranges)
    for drift in drifts:
        last = "" if drift.string == reference else f"  {_cents_text(drift.offset_cents)}"
        yield f"  {label(drift.string):<4} {_hz(drift.hz):>17} Hz{last}"
    yield f"  {_drift_sentence(instrument, tuning.trend(drifts, reference))}"


def _drift_sentence(instrument: Instrument, trend: tuning.Trend) -> str:
    if not trend.furthest:
        return "Every string ends up in equal temperament."
    names = [instrument.string_label(string) for string in trend.furthest]
    if not trend.sure:
        return f"{' or '.join(names)} may be the furthest off; which one depends on B."
    furthest = f"{' and '.join(names)} {'is' if len(names) == 1 else 'are'}"
    if tuning.in_pure_fifths(instrument):
        return f"Pure fifths, as usual for these strings; against a piano {furthest} the furthest off."
    if trend.adds_up:
        return f"The errors add up: {furthest} the furthest off."
    if trend.cancels:
        return f"{furthest} the furthest off; some errors cancel others."
    return f"{furthest} the furthest off."


def _fretless_lines(
    instrument: Instrument, reference: int, ways: Sequence[tuning.FromReference]
) -> list[str]:
    """In equal temperament: what is left to beat against the reference string, where it can be counted."""
    lines = []
    for way in ways:
        if way.pair is not None and way.pair.beats_hz[1] <= COUNTABLE_HZ:
            touched = pair_name(instrument, way.pair)
            lines.append(f"  {touched:<20} leave {_beats(way.pair.beats_hz)}")
    head = f"To play with a piano or fretted strings, leave these beats against {instrument.string_label(reference)}:"
    return [head, *lines] if lines else []


def _stopped_lines(instrument: Instrument, reference: int, ways: Sequence[tuning.FromReference]) -> list[str]:
    """A line a string: where it is stopped, what it agrees with, and the harmonics that would do with beats."""
    label = instrument.string_label
    owns = []
    lines = [f"Or compare every string with {label(reference)}, so no error is passed on:"]
    for way in ways:
        own = f"{label(way.string)} {'open' if way.fret == 0 else f'fret {way.fret}'}"
        owns.append(own if way.own_partial == 1 else f"{own}, partial {way.own_partial}")
    wide = max((len(own) for own in owns), default=0)
    for own, way in zip(owns, ways, strict=True):
        other = f"{label(reference)} {NODES_OF_OCTAVES.get(way.reference_partial, 'open')}"
        line = f"  {own:<{wide}} as {other:<8} {way.hz:8.2f} Hz"
        if way.pair is not None and way.pair.beats_hz[1] <= COUNTABLE_HZ:
            touched = f"{_touch(instrument, way.pair, low=True)}, {_touch(instrument, way.pair, low=False)}"
            line += f"   or {touched}: leave {_hz(way.pair.beats_hz)}/s"
        lines.append(line)
    return [*lines, *_left_over(ways)]


def _left_over(ways: Sequence[tuning.FromReference]) -> list[str]:
    """What is left between the notes of `_stopped_lines` when every string is in tune."""
    ends = [end for way in ways for end in way.offset_cents]
    low, high = min(ends), max(ends)
    if max(-low, high) < tuning.NO_ERROR_CENTS:
        return ["  Stopped there, nothing beats: octaves are exact in equal temperament."]
    most_hz = max(way.hz * (2.0 ** (abs(end) / 1200.0) - 1.0) for way in ways for end in way.offset_cents)
    return [
        f"  In tune, the two notes are {_cents_text((low, high))} apart, because the partials",
        f"  of stiff strings are sharp: up to {most_hz:.2f} beats a second may be left.",
    ]


def _touch(instrument: Instrument, pair: Pair, low: bool) -> str:
    string = pair.low_string if low else pair.high_string
    node = pair.low_node if low else pair.high_node
    return touch_name(instrument, string, node)


def _beats(beats_hz: Range) -> str:
    low, high = beats_hz
    period = f", one in {1.0 / high:.1f} s" if high - low <= SHOWN_HZ < high < 1.0 else ""
    return f"{_hz(beats_hz)} a second{period}"


def _cents_text(cents: Range) -> str:
    # Without a minus before a rounded nought.
    low, high = (round(end, 1) + 0.0 for end in cents)
    return f"{high:+.1f} cents" if high - low < 0.05 else f"{low:+.1f} to {high:+.1f} cents"


def _hz(hz: Range) -> str:
    low, high = hz
    return f"{high:.2f}" if high - low < SHOWN_HZ else f"{low:.2f} to {high:.2f}"


def _chosen_pair(instrument: Instrument, text: str | None) -> Pair:
    if text is None:
        pairs = tuning.adjacent_pairs(instrument)
        if not pairs:
            raise UsageError("no two neighbouring strings have partials to compare", "--pair")
        return pairs[0]
    # A string's octave may be written with a minus, B-1 say, but no instrument has such a string.
    first, dash, second = text.partition("-")
    if not dash:
        raise UsageError(f"'{text}' is not a pair of strings", "--pair", guess="E-A, say")
    strings = {string_index(instrument, name, "--pair") for name in (first, second)}
    if len(strings) != 2:
        raise UsageError(f"'{text}' names one string twice", "--pair")
    low, high = sorted(strings, key=tuning.by_pitch(instrument).index)
    pair = tuning.pair_between(instrument, low, high)
    if pair is None:
        raise UsageError(f"{text}: no partials up to 9 come within {tuning.CLOSE_CENTS:g} cents", "--pair")
    return pair


def _write(instrument: Instrument, arguments: Arguments) -> int:
    from coach.sound.models import heard_pcm
    from coach.sound.wav import write_wav

    heard, cents = _heard(instrument, arguments), arguments.cents
    pcm = heard_pcm(heard, RATE, STRIKES)
    if heard.string is not None:
        what = f"{instrument.string_label(heard.string)} open, {instrument.open_hz(heard.string):.2f} Hz"
    else:
        high = instrument.string_label(heard.pair.high_string)
        beats = _beats((tuning.moved_beats_hz(instrument, heard.pair, cents),) * 2)
        what = f"{pair_name(instrument, heard.pair)}, {high} moved by {cents:+g} cents: {beats}"
    buffer = io.BytesIO()
    write_wav(buffer, [pcm], RATE)
    write_output(arguments.output, buffer.getvalue())
    say(f"{what}; {len(pcm) / RATE:.1f} s", to=sys.stderr)
    return 0


def _on_screen(instrument: Instrument, arguments: Arguments, reference: int) -> int:
    """Show the tuning screen until the player leaves; UsageError where there is no terminal."""
    heard = _heard(instrument, arguments) if arguments.hear else None
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        instead = (
            "-o FILE.wav writes the sound instead" if heard else "--from FILE.wav listens to a recording"
        )
        raise UsageError("needs a terminal", "--hear" if heard else "--listen", guess=instead)
    # The app is the larger part of a start.
    from coach.session.desk import Desk
    from coach.tui.app import CoachApp
    from coach.tui.tuning_screen import TuningScreen

    with Desk.open(places_of(arguments), clock=clock, read_only=True, silent=arguments.silent) as desk:
        app = CoachApp(desk, TuningScreen(instrument, reference, heard, listening=heard is None))
        app.run()
        say(*app.last_words)
    return 0


def _judge(instrument: Instrument, arguments: Arguments, reference: int) -> int:
    """Say what a recording tells."""
    from coach.commands.tune_take import say_strings, say_turn

    if arguments.tone == "all":
        return say_strings(instrument, arguments)
    if arguments.tone is None:
        return say_turn(instrument, _chosen_pair(instrument, arguments.pair), reference, arguments)
    return say_turn(instrument, string_index(instrument, arguments.tone, "--tone"), reference, arguments)


def _heard(instrument: Instrument, arguments: Arguments) -> Heard:
    if arguments.tone is not None:
        string = string_index(instrument, arguments.tone, "--tone")
        return Heard(instrument, tuning.adjacent_pairs(instrument), string)
    first = _chosen_pair(instrument, arguments.pair)
    rest = [pair for pair in tuning.adjacent_pairs(instrument) if pair != first]
    return Heard(instrument, (first, *rest), cents=arguments.cents)


def _facts(instrument: Instrument, reference: int, ranges: Ranges) -> dict[str, Any]:
    """The tuning for programs: the values of `coach.strings.tuning`, with strings by their names."""

    def named(value: Any) -> Any:
        if isinstance(value, int):
            return instrument.string_at(value).name
        fields = asdict(value)
        strings = {
            key: named(fields[key]) for key in ("string", "low_string", "high_string") if key in fields
        }
        pair = {"pair": value.pair and named(value.pair)} if "pair" in fields else {}
        return fields | strings | pair

    return {
        "reference": named(reference),
        "stiffness": dict(zip((string.name for string in instrument.strings), ranges, strict=True)),
        "pairs": list(map(named, tuning.adjacent_pairs(instrument, ranges))),
        "drift": list(map(named, tuning.beatless_drift(instrument, reference, ranges))),
        "from_reference": list(map(named, tuning.from_reference(instrument, reference, ranges))),
    }
