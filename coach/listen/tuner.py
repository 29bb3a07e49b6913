"""The last seconds of a microphone while strings are tuned: what the chosen pair or string asks of the pegs."""

from __future__ import annotations

from coach.listen.arrays import Samples
from coach.listen.beats import MOST_S, Beats, beats_in
from coach.listen.open_string import MeasuredString, ringing_string
from coach.listen.turn import meeting_of
from coach.strings.instrument import Instrument
from coach.strings.tuning import Pair

_SHORTER_S = 2.4
"""So that three seconds after a pluck there is an answer, the time to find it included."""


def beats_now(samples: Samples, rate_hz: int, instrument: Instrument, pair: Pair) -> Beats | None:
    """The beat of a pair in the last 3 s, or in the last 2.4 s where that is the surer, as after a pluck."""
    meeting = meeting_of(instrument, pair)
    heard = [
        beats
        for seconds in (MOST_S, _SHORTER_S)
        if (beats := beats_in(samples[-round(seconds * rate_hz) :], rate_hz, meeting))
    ]
    return min(heard, key=lambda beats: beats.error_hz, default=None)


def string_now(samples: Samples, rate_hz: int, instrument: Instrument, string: int) -> MeasuredString | None:
    """The open string as it rings, or was plucked, in the last 3 s."""
    return ringing_string(samples[-round(MOST_S * rate_hz) :], rate_hz, instrument.open_hz(string))
