"""The yardstick for listening: its strings against physics, its takes against their truth, and one take pinned."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.sounds import sampled
from benchmarks.sounds.drills import drill_text
from benchmarks.sounds.instruments import SETS, TEST, TRAIN, note_hz
from benchmarks.sounds.playing import CLEAN_DB, Touch, touch_db
from benchmarks.sounds.room import NOISE_BAND_HZ
from benchmarks.sounds.strings import (
    CORE_RATE_HZ,
    Contact,
    Ear,
    Pluck,
    Ringing,
    heard_by,
    in_sympathy,
    ring,
    slope_at_bridge,
)
from benchmarks.sounds.takes import SNRS_DB, seeded, session, take_of
from benchmarks.sounds.tunings import write_tunings
from coach.cli import main

ALDER = TRAIN[0]
G_STRING = ALDER.strings(np.random.RandomState(1))[3]
DEAF = np.zeros((1, 2, G_STRING.modes), complex)


def plucked(contacts=(), seconds=1.0, string=G_STRING, place=0.11):
    """Sound over a pickup near the bridge, and the last state, of a pluck after 0.1 s."""
    heard = heard_by(string, Ear(0.05, 10, second=0.0))[None]
    samples = round((seconds + 0.1) * CORE_RATE_HZ)
    onset = round(0.1 * CORE_RATE_HZ)
    sound, state = ring(string, 3e-4, samples, contacts, [Pluck(onset, place, 2.0, 8.0, 0.0)], heard)
    return sound[0], state


def touched(node, after_s, resistance=1.0, width_mm=8.0):
    lift = round((0.1 + after_s) * CORE_RATE_HZ)
    return [Contact(0, lift, 1 - node, width_mm, resistance * G_STRING.impedance)]


def peak_hz(sound, near_hz):
    """Where a spectrum peaks, by a parabola through three points of its logarithm."""
    size = 1 << 19
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size), size))
    step = CORE_RATE_HZ / size
    low, high = round((near_hz - 5) / step), round((near_hz + 5) / step)
    top = low + int(np.argmax(spectrum[low:high]))
    left, middle, right = np.log(spectrum[top - 1 : top + 2])
    return (top + 0.5 * (left - right) / (left - 2 * middle + right)) * step


@pytest.mark.parametrize("partial", [1, 2, 3, 5, 8, 12])
def test_partials_are_where_a_stiff_string_has_them(partial):
    # Fletcher 1964, J. Acoust. Soc. Am. 36(1): f_n = n f0 sqrt(1 + B n^2), B = pi^3 E d^4 / (64 T L^2).
    stiffness = math.pi**3 * 2e11 * 0.45e-3**4 / (64 * 190 * 0.864**2)
    expected_hz = partial * G_STRING.fundamental_hz * math.sqrt(1 + stiffness * partial**2)
    sound, _ = plucked(seconds=3)
    assert peak_hz(sound[4800:], expected_hz) == pytest.approx(expected_hz, abs=0.02)


def test_a_plucked_string_has_the_modes_of_a_corner_that_is_let_go():
    # Fletcher and Rossing 1998, chapter 2: 2 h sin(n pi b) / (n^2 pi^2 b (1 - b)); a mode with a node there is silent.
    ringing = Ringing(G_STRING, 0.0)
    ringing.pluck(Pluck(0, 0.2, 1.0, 0.0, 0.0))
    for number in range(1, 9):
        expected = 2e-3 * math.sin(number * math.pi / 5) / (number**2 * math.pi**2 * 0.2 * 0.8)
        assert ringing.state[0, number - 1].real == pytest.approx(expected, abs=1e-12)


def test_decay_is_what_the_losses_say():
    # Valette 1995 (with air by Stokes): 1/Q = R / (2 pi mu f) + 4 pi^2 mu E I delta f^2 / T^2 + a constant.
    hz, mass = G_STRING.partials_hz()[0], 190 / (2 * 0.864 * G_STRING.fundamental_hz) ** 2
    drag = 2 * math.pi * (1.8e-5 + 1.1e-3 * math.sqrt(math.pi * 1.8e-5 * 1.2 * hz))
    bending = 4 * math.pi**2 * mass * 2e11 * math.pi * 0.45e-3**4 / 64 * 4.5e-3 * hz**2 / 190**2
    loss = drag / (2 * math.pi * mass * hz) + bending + 1.1e-3 * (1 + G_STRING.dead_spots[0])
    assert G_STRING.decays_per_s()[0] == pytest.approx(math.pi * hz * loss, rel=1e-9)
    _, early = plucked(seconds=0.5)
    _, late = plucked(seconds=1.5)
    fallen = abs(late[0, 0]) / abs(early[0, 0])
    assert fallen == pytest.approx(math.exp(-math.pi * hz * loss), rel=1e-6)


def test_open_bass_strings_ring_as_long_as_basses_do():
    # Common practice, no source: an open string of a bass is heard for some 5 to 40 s.
    for model in (*TRAIN[:2], *TEST[:2]):
        for string in model.strings(np.random.RandomState(2)):
            assert 5 < math.log(1000) / string.decays_per_s()[0] < 45


@pytest.mark.parametrize(("node", "partial"), [(1 / 2, 2), (1 / 3, 3), (1 / 4, 4), (1 / 5, 5)])
def test_a_light_touch_leaves_the_partials_with_a_node_there(node, partial):
    # Fletcher and Rossing 1998, chapter 2: only modes with a node at the finger go on.
    _, still = plucked(seconds=0.3)
    _, state = plucked(touched(node, 0.06), 0.3)
    left_db = 20 * np.log10(np.abs(state[0, :12]) / np.abs(still[0, :12]))
    kept = np.arange(1, 13) % partial == 0
    assert np.all(left_db[kept][:1] > -1)
    assert np.all(left_db[:partial][~kept[:partial]] < -25)


def test_a_weak_touch_damps_as_a_small_resistance_does():
    # First order: a dashpot R at x adds (R / (mu L)) sin^2(n pi x / L) to a mode's decay.
    small = 1e-4 * G_STRING.impedance
    place, seconds = 0.23, 1.0
    samples = round(seconds * CORE_RATE_HZ)
    ringing = Ringing(G_STRING, 0.0)
    ringing.pluck(Pluck(0, 0.11, 2.0, 8.0, 0.0))
    before = ringing.state
    ringing.touched(samples, [Contact(0, samples, place, 0.0, small)], DEAF)
    mass = G_STRING.mass_kg_per_m * G_STRING.length_m
    for mode in range(5):
        added = small / mass * math.sin((mode + 1) * math.pi * place) ** 2
        expected = math.exp(-(G_STRING.decays_per_s()[mode] + added) * seconds)
        assert abs(ringing.state[0, mode]) / abs(before[0, mode]) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("resistance", [0.01, 1.0, 100.0])
def test_a_finger_only_takes_energy(resistance):
    ringing = Ringing(G_STRING, 3e-4)
    ringing.pluck(Pluck(0, 0.11, 2.0, 8.0, 0.4))
    energies = []
    for _ in range(40):
        ringing.touched(7, touched(1 / 3, 1.0, resistance), DEAF)
        energies.append(float(np.sum((np.abs(ringing.state) * ringing.turn.imag) ** 2)))
    assert all(after <= before * (1 + 1e-12) for before, after in itertools.pairwise(energies))


def test_steps_taken_in_blocks_are_steps_taken_one_by_one():
    one, many = Ringing(G_STRING, 3e-4), Ringing(G_STRING, 3e-4)
    heard = np.stack([heard_by(G_STRING, ALDER.ear), slope_at_bridge(G_STRING)])
    contacts = touched(0.3, 1.0)
    for ringing in (one, many):
        ringing.pluck(Pluck(0, 0.11, 2.0, 8.0, 0.4))
    singly = np.concatenate([one.touched(1, contacts, heard) for _ in range(77)], axis=1)
    at_once = many.touched(77, contacts, heard)
    np.testing.assert_allclose(at_once, singly, rtol=0, atol=1e-11 * np.abs(singly).max())
    np.testing.assert_allclose(many.state, one.state, rtol=0, atol=1e-12 * np.abs(one.state).max())


def test_a_choke_is_lower_the_farther_off_the_node_and_the_longer_it_stays():
    off = [touch_db(G_STRING, 3, 1 / 3, 0.11, Touch(offset_mm=mm, after_s=0.2)) for mm in (0, 8, 16, 30)]
    stays = [touch_db(G_STRING, 3, 1 / 3, 0.11, Touch(offset_mm=10, after_s=s)) for s in (0.03, 0.1, 0.2)]
    assert off == sorted(off, reverse=True)
    assert stays == sorted(stays, reverse=True)
    assert off[0] > -1
    assert off[-1] < -12


def test_only_an_open_string_that_shares_the_pitch_answers():
    # Common practice, no source: a string answers where it has a partial at the other's pitch, not beside it.
    low = ALDER.strings(np.random.RandomState(1))[0]
    time = np.arange(CORE_RATE_HZ) / CORE_RATE_HZ
    heard = heard_by(low, ALDER.ear)
    partial_hz = low.partials_hz()[3]
    answers = [
        np.std(in_sympathy(low, 2e-4, 1e-3 * np.sin(2 * math.pi * hz * time), heard)[-4800:])
        for hz in (partial_hz, partial_hz * 2 ** (1 / 12))
    ]
    assert answers[0] > 8 * answers[1]


def test_notes_have_their_tempered_pitches():
    # ISO 16: A4 is 440 Hz; the open strings of a bass, by equal temperament.
    assert [round(note_hz(note), 2) for note in ("E1", "A1", "D2", "G2", "A4")] == [41.2, 55, 73.42, 98, 440]


def test_no_instrument_and_no_font_is_in_both_sets():
    assert not {model.name for model in TRAIN} & {model.name for model in TEST}
    assert sampled.FONTS["train"] != sampled.FONTS["test"]


@pytest.mark.parametrize("which", sorted(SETS))
def test_drills_are_what_the_coach_accepts(which, tmp_path, capsys):
    for model in SETS[which]:
        if not model.bowed:
            path = tmp_path / f"{model.name}.yaml"
            path.write_text(drill_text(model, seeded(model.name)), encoding="utf-8")
            assert main(["check", str(path)]) == 0, capsys.readouterr().out


@pytest.fixture(scope="module")
def short():
    """One faulty take of the first training session, cut to two bars."""
    return short_take("train", 30)


def short_take(which, snr_db, faulty=True):
    whole, _ = session(which, "simulated", 0, 7)
    events = tuple(event for event in whole.events if event.beat < 8)
    return take_of(replace(whole, events=events, tempo_bpm=140), "take-1", snr_db, faulty)


def test_a_take_starts_each_note_where_its_truth_says(short):
    take, truth = short
    rate_hz = truth["chain"]["rate_hz"]
    assert take.shape[1] == (1 if truth["chain"]["channels"] == "mono" else 2)
    assert 0.01 < np.abs(take).max() <= 1.1
    for event in truth["events"]:
        if event["result"] == "missing":
            assert event["onset_s"] is None
        else:
            assert event["onset_ms"] == pytest.approx((event["onset_s"] - event["beat_s"]) * 1000, abs=1e-2)
        late = event["onset_ms"] or 0
        assert (20 <= late < 83) if event["result"] == "late" else abs(late) < 17
        assert event["result"] == "choked" or event["touch_db"] >= CLEAN_DB - 0.5
    assert take.shape[0] / rate_hz > truth["events"][-1]["beat_s"]


def test_clean_takes_are_clean():
    _, truth = short_take("test", 20, faulty=False)
    assert {event["result"] for event in truth["events"]} == {"clean"}


def test_noise_is_as_much_as_the_take_says():
    # White noise of density N has power N f up to f; the ratio is of the music's mean power to it below 12 kHz.
    loud, truth = short_take("train", 12)
    _, less = short_take("train", 30)
    assert truth["noise_per_hz"] / less["noise_per_hz"] == pytest.approx(10**1.8, rel=1e-4)
    rate_hz = truth["chain"]["rate_hz"]
    spectrum = np.abs(np.fft.rfft(loud[:, 0])) ** 2
    hz = np.fft.rfftfreq(len(loud), 1 / rate_hz)
    above = spectrum[(hz > NOISE_BAND_HZ + 1000) & (hz < rate_hz / 2 - 1000)]
    assert np.mean(above) / len(loud) / rate_hz * 2 == pytest.approx(truth["noise_per_hz"], rel=0.03)


def test_tuning_takes_beat_as_their_truth_says(tmp_path):
    assert write_tunings(tmp_path, "train", 3, 1, models=1) == 7 * len(SNRS_DB)
    for path in tmp_path.glob("*-pair-*-30dB.json"):
        truth = json.loads(path.read_text())
        lower, higher = truth["lower"], truth["higher"]
        assert truth["beat_hz"] == pytest.approx(abs(higher["hz"] - lower["hz"]))
        for end in (lower, higher):
            rows = [row for row in truth["partials"] if row["string"] == end["string"]]
            assert min(abs(row["hz"] - end["hz"]) for row in rows if row["partial"] == end["partial"]) < 1e-6


def test_one_take_is_pinned(short):
    """Frozen: a listener is measured on these very samples. A change here is a new yardstick."""
    take, truth = short
    truth_digest = hashlib.sha256(json.dumps(truth, sort_keys=True).encode()).hexdigest()
    sound_digest = hashlib.sha256(np.rint(take * 32767).astype("<i2").tobytes()).hexdigest()
    assert (truth_digest[:16], sound_digest[:16]) == ("f1e5c8f0b6f61e6a", "186906ec5c350e18")
