"""`coach listen`: hear in a recorded take how each event of a phrase went."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from coach.commands.common import places_of, say, tell
from coach.commands.instrument_options import own_of
from coach.commands.options import BPM, Arguments, Options, Within
from coach.folder.library import drill_on_own, find_drill, named_phrase
from coach.ground.problem import CoachError, UsageError
from coach.listen.ear import Ear
from coach.listen.heard import MISSING, OTHER, Heard, unlike
from coach.listen.recording import Recording
from coach.listen.sound_file import CLIPPED_SHARE, Sound, read_sound
from coach.listen.start import CLICKS, NOTES, SAME_PLACE_S, Beginning
from coach.listen.takes import ear_of, found_beginning, heard_beginning, recording_of
from coach.music.drill import Drill, Phrase
from coach.music.excerpt import Passage, layer_choices, whole_phrase
from coach.music.passages import passage_of
from coach.rating.table import Says
from coach.score.load import load_drill
from coach.strings.instrument import Instrument
from coach.words.names import placed_text

MEASURED_ON = "Tested on simulated and sampled strings only; check it against your own ears."
MOSTLY_ABSENT = 0.6
LEAST_JUDGED = 4
LONGEST_S = 3600.0
MOST_RIVALS = 3
TOLD_S = 0.02
"""A time of beat 1 that is heard to be further off is told."""
GIVEN = "--starts-at"
BEGINS_BY = {CLICKS: "found by the clicks", NOTES: "found by its notes", GIVEN: "as --starts-at says"}


def configure(options: Options) -> None:
    """Declare the options of `coach listen`."""
    options.text("take TAKE.wav", "a recording of the phrase, with or without the count-in")
    options.text("--drill DRILL", "a drill file, or a drill's name or title", required=True)
    options.text("--phrase PHRASE", "the phrase's name, or its id", required=True)
    options.text("--layer LAYER", "the layer that was played (default: all together)")
    options.whole("--tempo BPM", BPM, "the tempo it was played at", required=True)
    options.number(
        "--starts-at SECONDS",
        Within(0, LONGEST_S, "seconds"),
        "about when beat 1 falls in the take, where the phrase is not found or comes more than once; the clicks, "
        "or else the notes, near there say it exactly (default: found by listening)",
    )
    options.text("--open-strings OPEN.wav", "one pluck of each open string, lowest first, with pauses")
    options.texts(
        "--clean TAKE.wav",
        "at least two takes of the same passage that you know to be clean, to learn from",
    )
    options.folder()
    options.json()


def run(arguments: Arguments) -> int:
    """Print a row an event; 0 where the take could be listened to."""
    drill, phrase, passage = _passage(arguments)
    if any(os.path.realpath(path) == os.path.realpath(arguments.take) for path in arguments.clean):
        raise UsageError("is the take itself; name takes that you know to be clean", "--clean")
    ear = Ear.of(drill.instrument)
    if arguments.open_strings is not None:
        ear = ear_of(drill.instrument, read_sound(arguments.open_strings), arguments.open_strings)
    sound = _sound(arguments.take)
    begins, shift_s = _beginning(sound, drill, passage, arguments)
    take = recording_of(sound, drill, passage, arguments.tempo, begins.at_s, arguments.take)
    clean = [*_placed(arguments.clean, drill, passage, arguments.tempo)]
    if len(clean) == 1:
        say("One clean take is little to learn from; give two or more with --clean.", to=sys.stderr)
    for one in clean:
        ear = ear.learn(replace(one, beat_1_s=one.beat_1_s + shift_s))
    heard = ear.judge(take)
    _refuse_another_piece(heard, arguments)
    rows = [_row(one, placed_text(drill.instrument, passage.event(one.label))) for one in heard]
    about = {"drill": drill.title, "phrase": phrase.name, "layer": passage.excerpt.layer}
    facts = {**about, "tempo_bpm": arguments.tempo, **_place(begins), "events": rows}
    lines = _lines(heard, drill.instrument, passage, bool(arguments.clean))
    tell(arguments.json, facts, [*_place_lines(begins, phrase.name), *lines])
    return 0


def _beginning(sound: Sound, drill: Drill, passage: Passage, arguments: Arguments) -> tuple[Beginning, float]:
    """Where the phrase begins, as heard or as said, and how much later than its notes say, for clean takes.

    Where beat 1 is given, it is known of the take alone: the clean ones are laid beside it by their own notes. What the
    take's clicks or notes clearly say near there is taken instead.
    """
    given_s = arguments.starts_at
    if given_s is None:
        return heard_beginning(sound, drill, passage, arguments.tempo, arguments.take), 0.0
    found = found_beginning(sound, drill, passage, arguments.tempo)
    begins = Beginning(given_s, GIVEN)
    if found is None or found.doubtful:
        return begins, 0.0
    if found.within_s <= abs(found.at_s - given_s) <= SAME_PLACE_S:
        if abs(found.at_s - given_s) > TOLD_S:
            there = f"the {found.by} say that beat 1 is at {found.at_s:.2f} s, not {given_s:g}"
            say(f"{arguments.take}: {there}; the onsets count from there.", to=sys.stderr)
        return found, 0.0
    if not found.fits(given_s):
        there = f"the phrase begins at {found.at_s:.1f} s, by its notes, not at {given_s:g} s"
        say(f"{arguments.take}: {there}. Is --starts-at right?", to=sys.stderr)
    return begins, given_s - found.at_s if begins.fits(found.at_s) else 0.0


def _placed(paths: Sequence[str], drill: Drill, passage: Passage, tempo_bpm: int) -> Iterator[Recording]:
    """The clean takes in which the passage is surely heard; CoachError where it is in none."""
    refused = []
    for path in paths:
        try:
            yield recording_of(_sound(path), drill, passage, tempo_bpm, None, path)
        except CoachError as error:
            refused.append(error)
    if refused and len(refused) == len(paths):
        raise refused[0]
    for one in refused:
        say(f"{one} Nothing is learnt from it.", to=sys.stderr)


def _sound(path: str) -> Sound:
    sound = read_sound(path)
    if sound.clipped_share > CLIPPED_SHARE:
        say(f"{path}: {sound.clipped_share:.1%} of it clips; record it softer", to=sys.stderr)
    return sound


def _passage(arguments: Arguments) -> tuple[Drill, Phrase, Passage]:
    drill = load_drill(find_drill(arguments.drill, places_of(arguments)))
    drill = drill_on_own(drill, own_of(arguments))
    phrase = named_phrase(drill, arguments.phrase, "--phrase")
    layers = layer_choices(phrase)
    if arguments.layer is not None and arguments.layer not in layers:
        found = f"{arguments.layer!r} is not a layer of {phrase.name}; it has {', '.join(layers)}"
        raise UsageError(found, "--layer")
    return drill, phrase, passage_of(drill, whole_phrase(drill, phrase, arguments.layer))


def _refuse_another_piece(heard: Sequence[Heard], arguments: Arguments) -> None:
    judged = [one for one in heard if one.verdict.says is not Says.NOTHING]
    absent = [one for one in judged if one.verdict in (MISSING, OTHER)]
    if len(judged) >= LEAST_JUDGED and len(absent) > MOSTLY_ABSENT * len(judged):
        found = f"{len(absent)} of {len(judged)} judged events were not heard"
        guess = "are --drill, --phrase, --tempo and --starts-at those of this take?"
        raise CoachError(found, arguments.take, guess=guess)
    if unlike(heard):
        failed = sum(one.verdict.says is Says.FAILED for one in judged)
        found = f"{failed} of {len(judged)} events that could be judged seem to have failed"
        say(f"{arguments.take}: {found}. This may be another piece, or begin elsewhere.", to=sys.stderr)


def _place(begins: Beginning) -> dict[str, Any]:
    rivals_s = [round(one, 2) for one in begins.rivals_s[:MOST_RIVALS]]
    return {"begins_s": round(begins.at_s, 3), "begins_by": begins.by, "or_begins_s": rivals_s}


def _place_lines(begins: Beginning, phrase: str) -> Iterator[str]:
    yield f"{phrase} begins at {begins.at_s:.2f} s, {BEGINS_BY[begins.by]}"
    if begins.rivals_s:
        places = " and ".join(f"{one:.1f} s" for one in begins.rivals_s[:MOST_RIVALS])
        yield f"Its notes fit nearly as well at {places}; --starts-at chooses."
    yield ""


def _row(heard: Heard, text: str) -> dict[str, Any]:
    # Without a minus before a rounded nought.
    onset_ms = None if heard.onset_ms is None else round(heard.onset_ms, 1) + 0.0
    return {
        "label": heard.label,
        "event": text,
        "result": heard.verdict.word,
        "certainty": round(heard.certainty, 3),
        "onset_ms": onset_ms,
        "why": heard.why,
    }


def _lines(heard: Sequence[Heard], instrument: Instrument, passage: Passage, learnt: bool) -> Iterator[str]:
    texts = [placed_text(instrument, passage.event(one.label)) for one in heard]
    wide = max(map(len, texts))
    yield f"{'':>3}  {'event':<{wide}}  result     certainty  onset"
    for one, text in zip(heard, texts, strict=True):
        onset = "" if one.onset_ms is None else f"{round(one.onset_ms) or 0:+d} ms"
        certainty = f"{one.certainty:.0%}" if one.certainty else ""
        word = one.verdict.shown if one.verdict.says is Says.NOTHING else one.verdict.word
        line = f"{one.label:>3}  {text:<{wide}}  {word:<10} {certainty:>9}  {onset:>7}  {one.why}"
        yield line.rstrip()
    yield ""
    if not learnt:
        yield "How these notes sound when clean is not known yet; give clean takes with --clean."
    if any(event.hold > 1 for event in passage.events):
        yield "How long notes are held is not judged."
    yield MEASURED_ON
