"""`coach listen`: hear in a recorded take how each event of a phrase went."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from coach.commands.common import add_folder, add_json, add_number, add_whole, places_of, say, say_json
from coach.folder.library import drill_on_own, find_drill, named_phrase
from coach.folder.settings import load_settings
from coach.ground.problem import CoachError, UsageError
from coach.listen.ear import Ear
from coach.listen.heard import MISSING, OTHER, Heard
from coach.listen.recording import Recording
from coach.listen.sound_file import CLIPPED_SHARE, read_sound
from coach.listen.takes import ear_of, found_start_s, recording_of
from coach.music.drill import Drill
from coach.music.excerpt import Passage, layer_choices, whole_phrase
from coach.music.passages import passage_of
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.rating.table import Says
from coach.score.load import load_drill
from coach.strings.instrument import Instrument
from coach.words.names import placed_text

MEASURED_ON = "Tested on simulated and sampled strings only; check it against your own ears."
MOSTLY_ABSENT = 0.6
LEAST_JUDGED = 4
LONGEST_S = 3600.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coach listen`."""
    parser.add_argument(
        "take", metavar="TAKE.wav", help="a recording of the phrase, with or without the count-in"
    )
    parser.add_argument(
        "--drill", metavar="DRILL", required=True, help="a drill file, or a drill's name or title"
    )
    parser.add_argument("--phrase", metavar="PHRASE", required=True, help="the phrase's name, or its id")
    parser.add_argument("--layer", metavar="LAYER", help="the layer that was played (default: all together)")
    add_whole(
        parser, "--tempo", "BPM", "bpm", "the tempo it was played at", (MIN_BPM, MAX_BPM), required=True
    )
    add_number(
        parser,
        "--starts-at",
        "SECONDS",
        "seconds",
        "when beat 1 falls in the take (default: found by listening)",
        (0, LONGEST_S),
    )
    parser.add_argument(
        "--open-strings",
        metavar="OPEN.wav",
        help="one pluck of each open string, lowest first, with pauses",
    )
    parser.add_argument(
        "--clean",
        metavar="TAKE.wav",
        nargs="+",
        action="extend",
        default=[],
        help="at least two takes of the same passage that you know to be clean, to learn from",
    )
    add_folder(parser)
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Print a row an event; 0 where the take could be listened to."""
    drill, passage = _passage(arguments)
    tempo_bpm, starts_at_s = arguments.tempo, arguments.starts_at
    if any(os.path.realpath(path) == os.path.realpath(arguments.take) for path in arguments.clean):
        raise UsageError("is the take itself; name takes that you know to be clean", "--clean")
    ear = Ear.of(drill.instrument)
    if arguments.open_strings is not None:
        ear = ear_of(drill.instrument, read_sound(arguments.open_strings), arguments.open_strings)
    take = _recording(arguments.take, drill, passage, tempo_bpm, starts_at_s)
    shift_s = 0.0
    if starts_at_s is not None:
        # Where beat 1 is given, it is known of this take alone: the clean ones are laid beside it by their own notes.
        found_s = found_start_s(take, drill)
        shift_s = 0.0 if found_s is None else starts_at_s - found_s
    if len(arguments.clean) == 1:
        say("One clean take is little to learn from; give two or more with --clean.", to=sys.stderr)
    for path in arguments.clean:
        clean = _recording(path, drill, passage, tempo_bpm, None)
        ear = ear.learn(replace(clean, beat_1_s=clean.beat_1_s + shift_s))
    heard = ear.judge(take)
    _refuse_another_piece(heard, arguments)
    if arguments.json:
        say_json([_row(one) for one in heard], indent=2)
    else:
        _print_rows(heard, drill.instrument, passage, bool(arguments.clean))
    return 0


def _recording(
    path: str, drill: Drill, passage: Passage, tempo_bpm: int, starts_at_s: float | None
) -> Recording:
    sound = read_sound(path)
    if sound.clipped_share > CLIPPED_SHARE:
        say(f"{path}: {sound.clipped_share:.1%} of it clips; record it softer", to=sys.stderr)
    return recording_of(sound, drill, passage, tempo_bpm, starts_at_s, path)


def _passage(arguments: argparse.Namespace) -> tuple[Drill, Passage]:
    places = places_of(arguments)
    drill = load_drill(find_drill(arguments.drill, places))
    drill = drill_on_own(drill, load_settings(places.settings).instruments)
    phrase = named_phrase(drill, arguments.phrase, "--phrase")
    layers = layer_choices(phrase)
    if arguments.layer is not None and arguments.layer not in layers:
        found = f"{arguments.layer!r} is not a layer of {phrase.name}; it has {', '.join(layers)}"
        raise UsageError(found, "--layer")
    return drill, passage_of(drill, whole_phrase(drill, phrase, arguments.layer))


def _refuse_another_piece(heard: Sequence[Heard], arguments: argparse.Namespace) -> None:
    judged = [one for one in heard if one.verdict.says is not Says.NOTHING]
    absent = [one for one in judged if one.verdict in (MISSING, OTHER)]
    if len(judged) >= LEAST_JUDGED and len(absent) > MOSTLY_ABSENT * len(judged):
        found = f"{len(absent)} of {len(judged)} events were not heard"
        guess = "are --drill, --phrase, --tempo and --starts-at those of this take?"
        raise CoachError(found, arguments.take, guess=guess)


def _row(heard: Heard) -> dict[str, Any]:
    onset_ms = None if heard.onset_ms is None else round(heard.onset_ms, 1)
    return {
        "label": heard.label,
        "result": heard.verdict.word,
        "certainty": round(heard.certainty, 3),
        "onset_ms": onset_ms,
        "why": heard.why,
    }


def _print_rows(heard: Sequence[Heard], instrument: Instrument, passage: Passage, learnt: bool) -> None:
    texts = [placed_text(instrument, passage.event(one.label)) for one in heard]
    wide = max(map(len, texts))
    say(f"{'':>3}  {'event':<{wide}}  result     certainty  onset")
    for one, text in zip(heard, texts, strict=True):
        onset = "" if one.onset_ms is None else f"{one.onset_ms:+.0f} ms"
        certainty = f"{one.certainty:.0%}" if one.certainty else ""
        word = one.verdict.shown if one.verdict.says is Says.NOTHING else one.verdict.word
        line = f"{one.label:>3}  {text:<{wide}}  {word:<10} {certainty:>9}  {onset:>7}  {one.why}"
        say(line.rstrip())
    say("")
    if not learnt:
        say("How these notes sound when clean is not known yet; give clean takes with --clean.")
    say(MEASURED_ON)
