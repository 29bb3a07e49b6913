"""Where a passage begins in a take: roughly from all of its notes together, exactly from the clicks of the count-in.

Each note is looked for at its own partials, as the string is tuned: a rise of their level. The passage is moved along
the take until its notes rise the most. No single note has to be clear, and a pattern that comes again in another bar
has other pitches there. Near that place the count-in's clicks are added up, so that noise evens out; where none are
heard, the notes' sharp beginnings say it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Samples, Values
from coach.listen.frame import SPLIT_HZ, Frame, frame_of
from coach.listen.open_string import MeasuredString
from coach.listen.partials import note_hz
from coach.listen.scene import note_key
from coach.listen.transients import Rises, rises
from coach.music.drill import Note
from coach.music.excerpt import Passage
from coach.strings.instrument import Instrument

HOP_S, WINDOW_S = 0.01, 0.064
MOST_DB = 15.0
"""A rise by more counts no more: one loud note is no passage."""
FAINT = 1e-7
"""What has so small a share of the loudest moment's power is silence."""
CLEAR, SLOW_CLEAR = 10.0, 10.0
"""By so many standard deviations, as the median tells them, the right place stands out of the take: a phrase that has
its own notes again elsewhere widens the mean square. Of 120 takes, of two simulators and of samples that ring on, it is
10.5 at least, and at another tempo the best place has 11.1 at most, where fewer notes rise."""
QUIET = 0.01
"""Before and after what is louder than this share of the loudest sample, a take is still, and any music stands out."""
NEAR_HOPS = 3
"""So far from the best place a single note may rise the most."""
BESIDE_HOPS = 20
"""So far around it the place itself is seen, not what is elsewhere."""
NEAR_S, MOST_EARLIER_S = 0.05, 0.2
"""So much later than it is struck a slow note rises, and one that swells: so far before the rough place the exact one
is looked for, and so far behind it as the former."""
CLICKS_APART = 0.45
"""By this share of their distance clicks lie too early at most: there they come again."""
CLICK_DB = 2.5
"""A rise of the clicks that is none by chance: on takes without clicks the best near there was 1.8 dB at most."""
RISEN_DB = 2.0
LEAST_SHARE = 0.75
"""At least so many of a passage's events rise by 2 dB where it begins: a knock in silence is one. On 120 takes, faults
included, it is 77 of 100 at least."""
MET_S = 0.02
"""A note this far from its beat meets it no more."""
RIVAL_SHARE = 0.85
"""Where a passage's notes rise by so much of what they rise by at the best place, it may begin as well. On the training
sets 2 of 250 takes that hold the passage once have such a place; in takes of other phrases it was .85 to 1."""
STRUCK_DB, LEAST_STRUCK = 4.0, 0.9
"""Where a passage is played once or more, nearly all of its notes rise so much: of one that only has partials in common
with what is played, fewer do."""
SAME_PLACE_S = 0.3
CLICKS, NOTES = "clicks", "notes"


@frozen
class _Way:
    """How notes are looked for: those that begin at once, or those that swell."""

    apart_hops: int
    """Two spectra so many hops before and after a moment are compared."""
    clear: float
    least_db: float
    least_share: float
    earlier_s: float
    """So much later than they are struck its notes rise at most."""


AT_ONCE = _Way(3, CLEAR, RISEN_DB, LEAST_SHARE, NEAR_S)
"""Its two windows hardly overlap."""
SWELLING = _Way(15, SLOW_CLEAR, STRUCK_DB, LEAST_STRUCK, MOST_EARLIER_S)
"""For takes in which nothing stands out otherwise: of some sounds the partials swell for 300 ms. Nearly all notes have
to rise, since so wide a look takes for right what is played at nearly the right tempo."""


@frozen
class Beginning:
    """Where a passage begins in a take."""

    at_s: float
    by: str
    """What says so: `CLICKS` of the count-in, or `NOTES`."""
    rivals_s: tuple[float, ...] = ()
    """Where its notes rise together nearly as much, the best first: it is played again there, or not at all."""
    doubtful: bool = False
    """Rather not at all: some of its notes don't rise, and no count-in leads to this place alone."""
    within_s: float = 0.0
    """So much later than beat 1 it may be: its notes swell."""

    def fits(self, at_s: float) -> bool:
        """Whether the passage may begin at this time as well."""
        return any(abs(at_s - one) <= SAME_PLACE_S for one in (self.at_s, *self.rivals_s))


@frozen
class Nowhere:
    """A passage that is not surely in a take."""

    unheard: tuple[int, ...]
    """Labels of events that have a note which does not even rise where the passage fits best."""


def beginning_of(
    samples: Samples,
    rate_hz: int,
    passage: Passage,
    tempo_bpm: int,
    instrument: Instrument,
    count_in_s: Sequence[float],
) -> Beginning | Nowhere | None:
    """Where beat 1 of a passage lies in a take, below 0 before it; None of a take in which there is nothing to hear.

    `count_in_s` has the clicks of the count-in against beat 1.
    """
    onsets_s = [float(passage.tempo.seconds_at(event.onset, tempo_bpm)) for event in passage.events]
    frame = frame_of(samples, rate_hz, 0.0, len(samples) / rate_hz)
    if len(frame.samples) <= 2 * SWELLING.apart_hops * HOP_S * frame.rate_hz:
        return None
    found = nowhere = _about(frame, passage, onsets_s, instrument, way := AT_ONCE)
    if isinstance(found, Nowhere):
        found = _about(frame, passage, onsets_s, instrument, way := SWELLING)
    if isinstance(found, Nowhere):
        return nowhere
    risen = rises(frame)
    earlier_s = min([MOST_EARLIER_S, *(CLICKS_APART * gap for gap in np.diff(count_in_s))])
    clicked_s, click_db = _best_near(risen, count_in_s, found.at_s, 0, earlier_s)
    if click_db >= CLICK_DB:
        counted_in = [_best_near(risen, count_in_s, rival_s, 0, earlier_s)[1] for rival_s in found.rivals_s]
        doubtful = found.doubtful and max(counted_in) >= CLICK_DB
        return replace(found, at_s=clicked_s, by=CLICKS, doubtful=doubtful)
    struck_s, _ = _best_near(risen, onsets_s, found.at_s, round(MET_S / risen.hop_s), way.earlier_s)
    return replace(found, at_s=struck_s, within_s=0.0 if way is AT_ONCE else way.earlier_s)


def _about(
    frame: Frame, passage: Passage, onsets_s: Sequence[float], instrument: Instrument, way: _Way
) -> Beginning | Nowhere:
    notes = [placed.note for event in passage.events for placed in event.notes]
    labels = [event.label for event in passage.events for _ in event.notes]
    at = [onset for event, onset in zip(passage.events, onsets_s, strict=True) for _ in event.notes]
    hops = np.round(np.array(at) / HOP_S).astype(int)
    risen, bin_hz = _risen_db(frame, way.apart_hops)
    # Of a take that was cut short the first notes, or the last, bring nothing.
    longest = int(hops.max())
    of_note = {
        note_key(note): np.pad(_note_rise_db(risen, bin_hz, note, instrument), longest) for note in notes
    }
    at_hop = np.arange(-longest, len(risen))
    rises_db = np.array(
        [of_note[note_key(note)][hop : hop + len(at_hop)] for note, hop in zip(notes, hops, strict=True)]
    )
    total = rises_db.sum(axis=0)
    best = int(np.argmax(total))
    loud = np.flatnonzero(np.abs(frame.samples) >= QUIET * np.abs(frame.samples).max())
    first, last = loud[[0, -1]] / (HOP_S * frame.rate_hz)
    meets = (max(first - longest, 0) <= at_hop) & (at_hop <= last)
    elsewhere = total[meets & (np.abs(at_hop - at_hop[best]) >= BESIDE_HOPS)]
    off = np.abs(elsewhere - np.median(elsewhere)) if len(elsewhere) else np.full(1, math.inf)
    spread = 1.4826 * float(np.median(off))
    here_db = rises_db[:, max(best - NEAR_HOPS, 0) : best + NEAR_HOPS + 1].max(axis=1)
    best_s = float(at_hop[best] + way.apart_hops) * HOP_S
    if total[best] <= way.clear * spread or np.mean(here_db > way.least_db) < way.least_share:
        silent = {label for label, db in zip(labels, here_db, strict=True) if db <= RISEN_DB}
        return Nowhere(tuple(sorted(silent)))
    rivals = tuple(one + way.apart_hops * HOP_S for one in _rivals(total, best, longest))
    doubtful = bool(rivals) and float(np.mean(here_db > STRUCK_DB)) < LEAST_STRUCK
    return Beginning(best_s, NOTES, rivals, doubtful)


def _rivals(total: Values, best: int, longest: int) -> tuple[float, ...]:
    """When else in the take the notes rise nearly as much as at the best place, the most first, in seconds of `risen`.

    `best` and they are places in `total`, in which the take begins at `longest`.
    """
    places = [best]
    for place in np.argsort(-total, kind="stable"):
        if total[place] < RIVAL_SHARE * total[best]:
            break
        if place >= longest and all(abs(place - other) >= BESIDE_HOPS for other in places):
            places.append(int(place))
    return tuple(float(place - longest) * HOP_S for place in places[1:])


def _risen_db(frame: Frame, apart_hops: int) -> tuple[Values, float]:
    """By how much each bin rises at moments that lie a hop apart, beyond what a click does to most of them.

    The first moment lies `apart_hops` behind the take's beginning. Also a bin's width in Hz.
    """
    size = 1 << round(WINDOW_S * frame.rate_hz).bit_length() - 1
    padded = np.pad(frame.samples, size // 2)
    firsts = np.round(np.arange(0.0, len(frame.samples), HOP_S * frame.rate_hz)).astype(int)
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)[firsts]
    power = np.abs(np.fft.rfft(windows * np.hanning(size))) ** 2
    level = 10.0 * np.log10(power + np.median(power) + FAINT * power.max() + 1e-18)
    risen = level[2 * apart_hops :] - level[: -2 * apart_hops]
    return risen - np.maximum(np.median(risen, axis=1, keepdims=True), 0.0), frame.rate_hz / size


def _note_rise_db(risen: Values, bin_hz: float, note: Note, instrument: Instrument) -> Values:
    """By how much a note's partials rise at each moment, in the mean, beyond their usual rise."""
    string = MeasuredString(instrument.open_hz(note.string), instrument.stiffness(note.string), 0.0, 0)
    hz = note_hz(string, note)
    bins = np.round(hz[hz < SPLIT_HZ] / bin_hz).astype(int)
    if not len(bins):
        return np.zeros(len(risen))
    # A string that is out of tune lies in the bin beside.
    highest = np.maximum(np.maximum(risen[:, bins - 1], risen[:, bins]), risen[:, bins + 1])
    rise = np.clip(highest, 0.0, MOST_DB).mean(axis=1)
    return np.asarray(rise - rise.mean())


def _best_near(
    risen: Rises, offsets_s: Sequence[float], about_s: float, reach: int, earlier_s: float
) -> tuple[float, float]:
    """Near a moment the best start, so that sharp beginnings lie at these offsets from it; their usual rise in dB.

    Up to `reach` hops off its place a beginning counts, less the further it is: players are not machines, clicks are.
    """
    before, after = round(earlier_s / risen.hop_s), round(NEAR_S / risen.hop_s)
    weight = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1.0)
    padded = np.pad(np.clip(risen.db, 0.0, MOST_DB) if reach else risen.db, (before + reach, after + reach))
    # What lies before the take was not heard: of a count-in that is cut off the last click alone says nothing.
    rows = [np.zeros(before + after + 1) for _ in offsets_s or (0.0,)]
    for row, offset in zip(rows, offsets_s, strict=False):
        first = round((about_s + offset - risen.start_s) / risen.hop_s)
        if 0 <= first < len(risen.db):
            part = padded[first : first + before + after + 2 * reach + 1]
            row += (np.lib.stride_tricks.sliding_window_view(part, 2 * reach + 1) * weight).max(axis=1)
    # One of four clicks may meet a knock: the middle ones count.
    usual = np.mean(rows, axis=0) if reach else np.median(rows, axis=0)
    best = int(np.argmax(usual))
    return about_s + (best - before) * risen.hop_s, float(usual[best])
