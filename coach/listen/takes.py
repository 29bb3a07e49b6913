"""Recorded takes: of open strings, and of a passage with the click that sounds along."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coach.ground.problem import CoachError
from coach.listen.clicks import Strike
from coach.listen.ear import Ear
from coach.listen.look import HEARD_S
from coach.listen.open_string import MeasuredString, Pluck, plucks_in
from coach.listen.recording import Recording, without_clicks
from coach.listen.sound_file import Sound
from coach.listen.start import Beginning, Nowhere, beginning_of
from coach.listen.turn import SURE_CENTS
from coach.music.clicktrack import clicks_of
from coach.music.drill import Drill
from coach.music.excerpt import Passage
from coach.strings.instrument import Instrument
from coach.strings.tuning import by_pitch
from coach.words.names import placed_text

MOST_NAMED = 6
LEAST_RISE_DB = 10.0
LEAST_RISE_SHARE = 0.4
"""A string's partials rise by so much where it is plucked, and by this share of what the strings usually do."""
MOST_OTHER_SHARE = 0.7
"""Nothing else in a take of open strings rises by more than this share of the softest pluck."""
ONE_PLUCK = "pluck each open string once, the lowest first, roughly in tune, two seconds apart"


def ear_of(instrument: Instrument, sound: Sound, path: str) -> Ear:
    """An ear that knows the strings of a take with one pluck of each, the lowest first.

    A string that is not recognised is taken as tuned.
    """
    by_string = strings_of(instrument, sound, path)
    return Ear.of(instrument, [by_string[string] for string in range(len(instrument.strings))])


def strings_of(instrument: Instrument, sound: Sound, path: str) -> dict[int, MeasuredString | None]:
    """Every string of a take with one pluck of each, from the lowest; None for one that is not recognised.

    CoachError where one was not plucked, something else begins as clearly, or half of them are not recognised.
    """
    order = by_pitch(instrument)
    heard = plucks_in(sound.samples, sound.rate_hz, [instrument.open_hz(string) for string in order])
    plucks = heard.each
    least = min(range(len(order)), key=lambda place: plucks[place].rise_db)
    usual_db = float(np.median([pluck.rise_db for pluck in plucks]))
    if plucks[least].rise_db < max(LEAST_RISE_DB, LEAST_RISE_SHARE * usual_db):
        raise _unplucked(instrument, order[least], path, _between_text(plucks, least))
    if heard.other_db > MOST_OTHER_SHARE * plucks[least].rise_db:
        found = f"at {heard.other_s:.1f} s something else begins than one pluck of each open string"
        raise CoachError(found, path, guess=ONE_PLUCK)
    lacking = [
        place
        for place, pluck in enumerate(plucks)
        if pluck.string is None or pluck.string.error_cents > SURE_CENTS
    ]
    # One string may fade too fast; where half are not clearly heard, the take holds something else.
    if 2 * len(lacking) >= len(order):
        at = f" at {plucks[lacking[0]].at_s:.1f} s"
        raise _unplucked(instrument, order[lacking[0]], path, at)
    return dict(zip(order, (pluck.string for pluck in plucks), strict=True))


def _unplucked(instrument: Instrument, string: int, path: str, where: str) -> CoachError:
    label, hz = instrument.string_label(string), instrument.open_hz(string)
    found = f"no pluck is the open {label} string, near {hz:.1f} Hz{where}"
    return CoachError(found, path, guess=ONE_PLUCK)


def _between_text(plucks: Sequence[Pluck], place: int) -> str:
    """Between which plucks the one at this place should be."""
    after = f" after {plucks[place - 1].at_s:.1f} s" if place else ""
    before = f" before {plucks[place + 1].at_s:.1f} s" if place + 1 < len(plucks) else ""
    return f"{after} and{before}" if after and before else after or before


def recording_of(
    sound: Sound, drill: Drill, passage: Passage, tempo_bpm: int, starts_at_s: float | None, path: str
) -> Recording:
    """A take with its beat 1: as given, else from its clicks, else from its notes.

    CoachError where the passage is not surely heard, or the take ends before it does.
    """
    if starts_at_s is None:
        starts_at_s = heard_beginning(sound, drill, passage, tempo_bpm, path).at_s
    recording = Recording(sound.samples, sound.rate_hz, passage, tempo_bpm, starts_at_s)
    _refuse_part(recording, path)
    strikes = [
        Strike(starts_at_s + float(one.seconds), one.accent)
        for one in clicks_of(passage, tempo_bpm, drill.count_in_bars, drill.click)
        if one.kind in ("count-in", "accent", "beat")
    ]
    return without_clicks(recording, strikes)


def heard_beginning(sound: Sound, drill: Drill, passage: Passage, tempo_bpm: int, path: str) -> Beginning:
    """Where a passage is heard to begin in a take; CoachError where it is not clear that it is in it at all."""
    found = _sought(sound, drill, passage, tempo_bpm)
    if not isinstance(found, Beginning):
        guess = "are phrase and tempo right? --starts-at gives the time of beat 1"
        where = _unheard_text(found, drill, passage) if found else ""
        raise CoachError(f"the phrase was not heard in this take{where}", path, guess=guess)
    if found.doubtful:
        places = f"at {found.at_s:.1f} s or at {found.rivals_s[0]:.1f} s"
        message = f"the phrase may begin {places}, and some of its notes are heard at neither"
        raise CoachError(message, path, guess="is the take whole, and of this phrase alone?")
    return found


def found_beginning(sound: Sound, drill: Drill, passage: Passage, tempo_bpm: int) -> Beginning | None:
    """Where a passage is heard to begin in a take; None where it is not heard."""
    found = _sought(sound, drill, passage, tempo_bpm)
    return found if isinstance(found, Beginning) else None


def _sought(sound: Sound, drill: Drill, passage: Passage, tempo_bpm: int) -> Beginning | Nowhere | None:
    clicks = clicks_of(passage, tempo_bpm, drill.count_in_bars, drill.click)
    count_in_s = [float(click.seconds) for click in clicks if click.kind == "count-in"]
    return beginning_of(sound.samples, sound.rate_hz, passage, tempo_bpm, drill.instrument, count_in_s)


def _unheard_text(found: Nowhere, drill: Drill, passage: Passage) -> str:
    """Which events were not heard where the phrase fits best."""
    count, missing = len(passage.events), found.unheard
    if not missing:
        return f"; its {count} events are not clear enough"
    texts = [
        f"{label} {placed_text(drill.instrument, passage.event(label))}" for label in missing[:MOST_NAMED]
    ]
    more = ", ..." if len(missing) > MOST_NAMED else ""
    return f"; where it fits best, {len(missing)} of {count} events were not heard: {', '.join(texts)}{more}"


def _refuse_part(recording: Recording, path: str) -> None:
    """CoachError where the take begins after the phrase, or ends before it."""
    if recording.beat_1_s < 0.0:
        found = f"the take begins {-recording.beat_1_s:.1f} s after beat 1"
        raise CoachError(found, path, guess="record from before the first note; are phrase and tempo right?")
    last = max(recording.passage.events, key=lambda event: event.onset)
    needed_s = recording.due_s(last) + HEARD_S
    if recording.length_s < needed_s:
        found = f"the take ends at {recording.length_s:.1f} s, but the last event needs {needed_s:.1f} s"
        guess = "record the whole phrase and let it ring; are phrase, tempo and --starts-at right?"
        raise CoachError(found, path, guess=guess)
