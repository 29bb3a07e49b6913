"""The beat of two strings whose partials nearly meet, from a few seconds in which both ring.

Beats come as often a second as two frequencies differ (Helmholtz, On the Sensations of Tone, part II). The band around
the partials is brought down to 0 Hz and decimated. There each string is two damped exponentials that lie close, since a
string's two polarisations differ a little in pitch and decay (Weinreich, JASA 62 (1977) 1474): a strong one that beats,
and a weaker one that would pull it aside. A matrix pencil (Hua and Sarkar, IEEE Trans. ASSP 38 (1990) 814) starts, and
non-linear least squares with the amplitudes projected out (Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413;
Kaufman's derivative) ends. What is known beforehand enters as further rows: how far polarisations are apart, and where
each string's own partials put the ones that meet (`lone_partials.py`), which tells the strings apart too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Phasors, Samples, Values
from coach.listen.band import Band, Meeting
from coach.listen.frame import frame_of
from coach.listen.lone_partials import Expected, expected_partials
from coach.listen.spectrum import LEAST_HEIGHT, Spectrum
from coach.strings.units import cents_between

MOST_S = 3.0
LEAST_S = 1.5
SURE_HZ = 0.05
"""Where the standard error of a beat is more than this, the sound does not allow to say it."""
SURE_OF_WAY = 0.95
SILENCE = 1e-14
"""Power in the band, full scale squared: less than the last bit of 24."""
LEAST_GAIN = 30.0
"""A string rings where the fit without it is worse by so much, in twice the logarithm of the likelihood: the best of
150 to 300 points of mere noise gives some 12."""
FURTHEST_CENTS = 100.0
"""A partial further from where it belongs is no string's."""
_SPLIT = 1e-4
"""Unit of a polarisation's distance: a share of the frequency."""
SPLIT_SPREAD = 4.0
"""In that unit; ours: 0.7 cent covers what false beats of good strings come to, of either sign."""
SPLITS_ALIKE = 2.0
"""How much the two strings' splits differ: they end on one bridge."""
SHARE = 0.15
"""Amplitude of the weaker polarisation against the stronger: a pull is mostly along the plane that is heard."""
FASTER, FASTER_SPREAD = 0.3, 0.3
"""Mean and spread of the logarithm of how much faster the weaker one decays."""
KNOWN_HZ = 0.005
"""Where a string's own partials put another of its partials is never better known than this."""
OPEN_SHARE, SYMPATHY = 0.2, 0.1
"""A string rings open where half of its other partials have a fifth of the amplitude of the one that meets, or more: of
touched strings it is 0.02 nearly always. Another string that is 20 dB softer sounds in sympathy."""
_MOST_DECAY = 15.0
UNEVEN = 6.0
"""Of the train takes none left more than 3.3 times as much power in its worst eighth as in the usual one; a pluck in
the middle leaves 13 times or more."""
_EDGE_S = 0.002
_LOST_S = 0.5
"""So much of the least may be lost before the pluck and where the strings are stopped."""
_STEP_S = 0.5
"""A longer take is heard anew so often."""
_CLEAR_COST = 20.0
_ROUNDS = 25
_ROUGH, _FINE = 0.3, 0.003
"""A descent ends where a step gains less, in twice the logarithm of the posterior."""


Known = tuple[Expected | None, Expected | None]
"""Where the lower and the higher string's partial must lie, by the string's others."""


@frozen
class Beats:
    """What two ringing strings say of each other."""

    low_hz: float
    """The lower string's partial."""
    high_hz: float
    """The higher string's partial."""
    error_hz: float
    """Standard error of their difference."""
    way_certainty: float
    """0.5 to 1: how likely it is that the sharper one is told rightly."""
    one_tone: bool = False
    """No second tone is heard: both strings agree, or one of them is silent."""
    alone: bool = False
    """Whether one string is known to ring by itself."""

    @property
    def beats_hz(self) -> float:
        return abs(self.high_hz - self.low_hz)

    @property
    def cents(self) -> float:
        """The higher string's partial against the lower's."""
        return cents_between(self.high_hz, self.low_hz)

    @property
    def sure(self) -> bool:
        return self.error_hz <= SURE_HZ

    @property
    def sure_of_way(self) -> bool:
        return self.way_certainty >= SURE_OF_WAY


def beats_in(samples: Samples, rate_hz: int, meeting: Meeting) -> Beats | None:
    """The beat that 1.5 to 3 s of one channel hold, of which the last 3 s count; None where no such partial rings."""
    length_s = len(samples) / rate_hz
    if length_s < LEAST_S:
        return None
    # At its ends the filter to the low rate lacks what lies beyond them.
    frame = frame_of(samples, rate_hz, max(length_s - MOST_S, 0.0), length_s)
    frame = frame.between(frame.start_s + _EDGE_S, length_s - _EDGE_S)
    band = Band.of(frame, meeting)
    onset_s = band.onset_s
    band = band.between(onset_s, math.inf)
    stop_s = band.stop_s
    band = band.between(0.0, stop_s)
    if band.length_s < LEAST_S - _LOST_S or float(np.mean(np.abs(band.phasors) ** 2)) < SILENCE:
        return None
    spectrum = Spectrum.of(frame)
    reach_hz = meeting.hz * (2.0 ** (FURTHEST_CENTS / 1200.0) - 1.0)
    peak = spectrum.peak(meeting.hz, reach_hz)
    if peak is None or peak[1] < LEAST_HEIGHT:
        return None
    rings = frame.between(frame.start_s + onset_s, min(frame.start_s + onset_s + stop_s, length_s))
    known = expected_partials(rings, meeting)
    if _one_alone(spectrum, peak[0], known):
        return Beats(peak[0], peak[0], math.inf, 0.5, one_tone=True, alone=True)
    starts_hz, decays = pencil(band.phasors, band.step_s, 2)
    # Where neither string is known by itself, the strings could as well be the other way round.
    orders = ([0, 1], [1, 0]) if any(known) else ([0, 1],)
    fits = [_settled(band, known, starts_hz[order], decays[order]) for order in orders]
    best = min(fits, key=lambda fit: fit.cost)
    if _both_ring(band, best):
        return _told(band, best, fits)
    low, high = known
    return _by_others(low, high) if low and high else Beats(peak[0], peak[0], math.inf, 0.5, one_tone=True)


def best_beats(samples: Samples, rate_hz: int, meeting: Meeting) -> Beats | None:
    """The surest of what every three seconds of a longer take hold, half a second apart; None where none holds any.

    Where more of them hold one string alone than both for sure, the strings were plucked one after the other.
    """
    length, step = round(MOST_S * rate_hz), round(_STEP_S * rate_hz)
    starts = range(0, max(len(samples) - length, 0) + 1, step)
    heard = [beats_in(samples[start : start + length], rate_hz, meeting) for start in starts]
    alone = [beats for beats in heard if beats and beats.alone]
    if len(alone) > sum(beats.sure for beats in heard if beats):
        return alone[0]
    return min((beats for beats in heard if beats), key=lambda beats: beats.error_hz, default=None)


def pencil(phasors: Phasors, step_s: float, count: int) -> tuple[Values, Values]:
    """Frequencies in Hz and decays in 1/s of `count` damped exponentials by the matrix pencil."""
    windows = np.lib.stride_tricks.sliding_window_view(phasors, len(phasors) // 2 + 1)
    rows = np.linalg.svd(windows, full_matrices=False)[2][:count].T
    poles = np.linalg.eigvals(np.linalg.lstsq(rows[:-1], rows[1:], rcond=None)[0])
    decays = -np.log(np.maximum(np.abs(poles), 1e-9)) / step_s
    return np.angle(poles) / (2.0 * math.pi * step_s), np.clip(decays, 0.05, _MOST_DECAY)


@frozen
class _Fit:
    """Seven numbers and how well they explain the band.

    `values`: both strings' angular frequencies and decays, both splits, the logarithm of how much faster the weaker
    polarisations decay.
    """

    values: Values
    cost: float
    """Twice the negative logarithm of the posterior, but for a constant."""
    noise: float
    """Power of what is left unexplained."""
    error_hz: float


def _settled(band: Band, known: Known, starts_hz: Values, decays: Values) -> _Fit:
    """The better fit of splits of either sign, once more with the noise that it leaves."""
    values = np.array([*2.0 * math.pi * starts_hz, *decays, 0.0, 0.0, FASTER])
    basis = np.exp(band.times_s[:, None] * (1j * values[:2] - values[2:4])[None, :])
    basis = np.hstack([basis, band.mains])
    left = band.phasors - basis @ np.linalg.lstsq(basis, band.phasors, rcond=None)[0]
    noise = float(np.mean(np.abs(left) ** 2)) + 1e-18
    splits = np.array([0.0, 0.0, 0.0, 0.0, SPLIT_SPREAD, SPLIT_SPREAD, 0.0])
    first = [_fitted(band, known, values + way * splits, noise, rough=True) for way in (1.0, -1.0)]
    rough = min(first, key=lambda fit: fit.cost)
    return _fitted(band, known, rough.values, rough.noise + 1e-18, rough=False)


def _fitted(
    band: Band,
    known: Known,
    values: Values,
    noise: float,
    rough: bool,
) -> _Fit:
    """Levenberg and Marquardt's descent with the amplitudes projected out; a rough one moves the ridge along."""
    least_gain = _ROUGH if rough else _FINE
    damping = 1e-2
    ridge = _ridge(band, values)
    state = _look(band, known, values, noise, ridge)
    for _ in range(_ROUNDS):
        normal = state.slope.T @ state.slope
        gradient = state.slope.T @ state.residual
        for _ in range(6):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), gradient)
            moved = values - step
            moved[2:4] = np.clip(moved[2:4], 0.0, _MOST_DECAY)
            fresh = _look(band, known, moved, noise, ridge)
            if fresh.cost < state.cost:
                break
            damping *= 5.0
        else:
            break
        gain = state.cost - fresh.cost
        values, state, damping = moved, fresh, max(damping / 5.0, 1e-8)
        if gain < least_gain:
            break
        if rough:
            ridge = _ridge(band, values)
            state = _look(band, known, values, noise, ridge)
    spread = np.linalg.pinv(state.slope.T @ state.slope)
    difference = np.array([-1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    error_hz = math.sqrt(max(float(difference @ spread @ difference), 0.0)) / (2.0 * math.pi)
    return _Fit(values, state.cost, state.noise, error_hz)


@frozen
class _State:
    residual: Values
    slope: Values
    noise: float

    @property
    def cost(self) -> float:
        return float(self.residual @ self.residual)


def _ridge(band: Band, values: Values) -> Values:
    """One over how large each of the four waves may be, for this descent."""
    turns, decays = _waves_of(values, band.middle_hz)
    waves = np.exp(band.times_s[:, None] * (1j * turns[:2] - decays[:2])[None, :])
    strong = np.abs(np.linalg.lstsq(np.hstack([waves, band.mains]), band.phasors, rcond=None)[0][:2])
    loudest = float(np.abs(band.phasors).max()) + 1e-30
    # Two waves that cancel each other could be of any size: a string is hardly louder than what is heard.
    return np.concatenate([[0.5 / loudest] * 2, 1.0 / (SHARE * strong + 1e-6 * loudest)])


def _look(
    band: Band,
    known: Known,
    values: Values,
    noise: float,
    ridge: Values,
) -> _State:
    """Residuals, in standard deviations, and their derivative by the seven values."""
    turns, decays = _waves_of(values, band.middle_hz)
    scale = math.sqrt(noise / 2.0)
    waves = np.exp(band.times_s[:, None] * (1j * turns - decays)[None, :]) / scale
    columns = np.hstack([waves, band.mains / scale])
    target = band.phasors / scale
    basis = np.vstack([columns, np.eye(4, columns.shape[1]) * ridge[:, None]])
    orthogonal, triangle = np.linalg.qr(basis)
    heard = np.append(target, np.zeros(4))
    shares = np.linalg.lstsq(triangle, orthogonal.conj().T @ heard, rcond=None)[0]
    off = heard - basis @ shares
    moves = np.vstack([_moves(band, values, waves * shares[:4], decays), np.zeros((4, 7))])
    slope = -(moves - orthogonal @ (orthogonal.conj().T @ moves))
    beside, beside_slope = _known_rows(band, known, values)
    explained = off[: len(target)] * scale
    return _State(
        np.concatenate([off.real, off.imag, beside]),
        np.vstack([slope.real, slope.imag, beside_slope]),
        float(np.mean(np.abs(explained) ** 2)),
    )


def _moves(band: Band, values: Values, parts: Phasors, decays: Values) -> Phasors:
    """What each of the seven values changes of the four waves together."""
    unit, much = 2.0 * math.pi * band.middle_hz * _SPLIT, math.exp(values[6])
    times = band.times_s[:, None]
    turned, decayed = 1j * times * parts, -times * parts
    return np.stack(
        [
            turned[:, 0] + turned[:, 2],
            turned[:, 1] + turned[:, 3],
            decayed[:, 0] + much * decayed[:, 2],
            decayed[:, 1] + much * decayed[:, 3],
            unit * turned[:, 2],
            unit * turned[:, 3],
            decays[2] * decayed[:, 2] + decays[3] * decayed[:, 3],
        ],
        axis=1,
    )


def _known_rows(band: Band, known: Known, values: Values) -> tuple[Values, Values]:
    """What is known beforehand, as residuals in standard deviations and their derivative."""
    rows = [
        (values[4] / SPLIT_SPREAD, {4: 1.0 / SPLIT_SPREAD}),
        (values[5] / SPLIT_SPREAD, {5: 1.0 / SPLIT_SPREAD}),
        ((values[4] - values[5]) / SPLITS_ALIKE, {4: 1.0 / SPLITS_ALIKE, 5: -1.0 / SPLITS_ALIKE}),
        ((values[6] - FASTER) / FASTER_SPREAD, {6: 1.0 / FASTER_SPREAD}),
    ]
    for at, expected in enumerate(known):
        if expected is not None:
            spread = 2.0 * math.pi * max(expected.error_hz, KNOWN_HZ)
            due = 2.0 * math.pi * (expected.hz - band.middle_hz)
            rows.append(((values[at] - due) / spread, {at: 1.0 / spread}))
    slope = np.zeros((len(rows), 7))
    for row, (_off, by) in enumerate(rows):
        for at, value in by.items():
            slope[row, at] = value
    return np.array([off for off, _by in rows]), slope


def _one_alone(spectrum: Spectrum, peak_hz: float, known: Known) -> bool:
    """Whether one string rings open, all its partials loud, while the other is not heard or only in sympathy.

    Of two touched strings all other partials are faint, of two that are bowed or plucked open none is.
    """
    meeting = float(spectrum.level[spectrum.places(np.array([peak_hz]))[0]])
    faint, loud = sorted(one.usual_level if one else 0.0 for one in known)
    return loud > OPEN_SHARE * meeting and faint < SYMPATHY * loud


def _both_ring(band: Band, fit: _Fit) -> bool:
    """Whether each is where it may be, and the fit is clearly worse without it."""
    turns, _decays = _waves_of(fit.values, band.middle_hz)
    for string in (0, 1):
        hz = float(band.middle_hz + turns[string] / (2.0 * math.pi))
        if hz <= 0.0 or abs(cents_between(hz, band.middle_hz)) > FURTHEST_CENTS:
            return False
        left = _left(band, fit, [string, string + 2])
        gain = 2.0 * (float(left.sum()) / (fit.noise + 1e-18) - len(left))
        if gain < LEAST_GAIN:
            return False
    return True


def _left(band: Band, fit: _Fit, without: Sequence[int] = ()) -> Values:
    """Power at each moment that the fit's waves, but for some of the four, leave unexplained."""
    turns, decays = _waves_of(fit.values, band.middle_hz)
    waves = np.hstack([np.exp(band.times_s[:, None] * (1j * turns - decays)[None, :]), band.mains])
    waves = np.delete(waves, without, axis=1)
    left = band.phasors - waves @ np.linalg.lstsq(waves, band.phasors, rcond=None)[0]
    return np.asarray(np.abs(left) ** 2)


def _unevenness(power: Values) -> float:
    """By how much the worst eighth is above the usual one; 1 where that is no more than chance gives."""
    eighths = [float(part.mean()) for part in np.array_split(power, 8)]
    ratio = max(eighths) / (float(np.median(eighths)) + 1e-30)
    return ratio if ratio > UNEVEN else 1.0


def _waves_of(values: Values, middle_hz: float) -> tuple[Values, Values]:
    """Angular frequencies and decays of both strings' stronger and weaker polarisations."""
    low, high, low_decay, high_decay, low_split, high_split, faster = values
    unit, much = 2.0 * math.pi * middle_hz * _SPLIT, math.exp(faster)
    turns = np.array([low, high, low + low_split * unit, high + high_split * unit])
    return turns, np.array([low_decay, high_decay, low_decay * much, high_decay * much])


def _by_others(low: Expected, high: Expected) -> Beats:
    """Where only one tone is heard where they meet: what the strings' other partials say of both."""
    error_hz = math.hypot(max(low.error_hz, KNOWN_HZ), max(high.error_hz, KNOWN_HZ))
    certainty = 0.5 + 0.5 * math.erf(abs(high.hz - low.hz) / error_hz / math.sqrt(2.0))
    return Beats(low.hz, high.hz, error_hz, certainty)


def _told(band: Band, best: _Fit, fits: list[_Fit]) -> Beats:
    """The best fit, and how much likelier it is than the best with the strings the other way round."""
    sign = best.values[1] > best.values[0]
    behind = [fit.cost - best.cost for fit in fits if (fit.values[1] > fit.values[0]) != sign]
    if len(fits) == 1:
        behind = [0.0]
    # A start that the strings' own partials turned round speaks for their order as clearly as can be.
    certainty = 1.0 / (1.0 + math.exp(-0.5 * min([*behind, _CLEAR_COST])))
    low_hz, high_hz = band.middle_hz + best.values[:2] / (2.0 * math.pi)
    # A pluck in the middle spoils the fit there most, and pulls it aside.
    error_hz = best.error_hz * _unevenness(_left(band, best))
    return Beats(float(low_hz), float(high_hz), error_hz, certainty)
