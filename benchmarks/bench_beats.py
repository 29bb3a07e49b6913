"""How well tuning by ear measures, on takes of the frozen yardstick: `python -m benchmarks.bench_beats FOLDER`.

FOLDER is what `python -m benchmarks.sounds OUT --set test --seed S --tunings N` wrote, with a seed that was not used
before (`OUT/test`). Printed are shares with their 95 % intervals (Wilson, JASA 22 (1927) 209), and beside them what the
Cramer-Rao bound allows (`bounds.py`): of the two partials that meet, and of all partials of both strings together.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binomtest

from benchmarks.bounds import Bounds, allowed, bounds
from coach.listen.band import Meeting
from coach.listen.beats import SURE_HZ, Beats, beats_in
from coach.listen.open_string import measured_string
from coach.listen.sound_file import read_sound
from coach.strings.tuning import stiffness_range
from coach.strings.units import cents_between, hz_from_midi, midi_from_note

WITHIN_HZ = 0.05
WITHIN_CENTS = 1.0
LEAST_BEAT_HZ = 0.19
Truth = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Row:
    """One take of a pair: what is true, what was heard, and how well it could be."""

    truth: Truth
    beats: Beats | None
    bounds: Bounds
    cpu_s: float
    """What the answer took to compute."""

    @property
    def told(self) -> bool:
        """Whether a number was said."""
        return self.beats is not None and self.beats.sure

    @property
    def error_hz(self) -> float:
        """Infinite where nothing was heard."""
        return math.inf if self.beats is None else abs(self.beats.beats_hz - self.truth["beat_hz"])

    @property
    def way(self) -> bool | None:
        """Whether the sharper string was told rightly; None where it was not told, or there is none."""
        if self.beats is None or not (self.told and self.beats.sure_of_way) or not self.truth["beat_hz"]:
            return None
        return (self.beats.high_hz > self.beats.low_hz) is bool(self.truth["higher_is_sharp"])


def wilson(hits: int, count: int) -> tuple[float, float]:
    """A share's 95 % interval (Wilson 1927)."""
    return tuple(binomtest(hits, count).proportion_ci(method="wilson")) if count else (0.0, 1.0)


def judged(folder: Path, kinds: Sequence[str]) -> Iterator[tuple[Truth, np.ndarray, int]]:
    """Every tuning take of these kinds, with its truth."""
    for path in sorted(folder.glob("tuning/*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        if truth["kind"] in kinds:
            sound = read_sound(str(path.with_suffix(".wav")))
            yield truth, sound.samples, sound.rate_hz


def pairs(folder: Path) -> list[Row]:
    """All takes of pairs, listened to."""
    rows = []
    for truth, samples, rate_hz in judged(folder, ("pair", "bowed")):
        low, high = (hz_from_midi(midi_from_note(truth[end]["string"])) for end in ("lower", "higher"))
        meeting = Meeting(low, high, truth["lower"]["partial"], truth["higher"]["partial"])
        before_s = time.process_time()
        beats = beats_in(samples, rate_hz, meeting)
        cpu_s = time.process_time() - before_s
        rows.append(Row(truth, beats, bounds(truth, samples, rate_hz), cpu_s))
    return rows


def share(rows: Sequence[Row], holds: Callable[[Row], bool]) -> str:
    """`97.1 % (91.7 to 99.0, 99 of 102)`."""
    hits = sum(holds(row) for row in rows)
    low, high = wilson(hits, len(rows))
    return (
        f"{100 * hits / max(len(rows), 1):.1f} % ({100 * low:.1f} to {100 * high:.1f}, {hits} of {len(rows)})"
    )


def say_pairs(rows: Sequence[Row]) -> None:
    """Shares by noise and by beat, and errors beside the bound."""
    for snr_db in sorted({row.truth["snr_db"] for row in rows}, reverse=True):
        at = [row for row in rows if row.truth["snr_db"] == snr_db]
        wide = [row for row in at if row.truth["beat_hz"] > LEAST_BEAT_HZ]
        print(f"\n{snr_db} dB, beats of 0.2 Hz or more:")
        print(
            f"  within {WITHIN_HZ} Hz, of all takes     {share(wide, lambda row: row.error_hz < WITHIN_HZ)}"
        )
        for words, name in (("the two that meet", "pair_hz"), ("all partials", "joint_hz")):
            chances = [allowed(getattr(row.bounds, name), WITHIN_HZ) for row in wide]
            print(f"  the bound of {words:17} allows {100 * np.mean(chances):.1f} %")
        told = [row for row in wide if row.told]
        print(f"  a number was said (error under {SURE_HZ} Hz) {share(wide, lambda row: row.told)}")
        print(
            f"  of those within {WITHIN_HZ} Hz          {share(told, lambda row: row.error_hz < WITHIN_HZ)}"
        )
        ways = [row for row in told if row.way is not None]
        print(f"  the way was told {share(told, lambda row: row.way is not None)}")
        print(f"  and was right    {share(ways, lambda row: bool(row.way))}")
        slow = [row for row in at if row.truth["beat_hz"] <= LEAST_BEAT_HZ]
        said = [row for row in slow if row.told]
        print(f"  slower beats: a number was said {share(slow, lambda row: row.told)}")
        print(
            f"    of those within {WITHIN_HZ} Hz        {share(said, lambda row: row.error_hz < WITHIN_HZ)}"
        )
        print("  where a number was said: rms error and median, and both of the bound of all partials, in Hz")
        for beat_hz in sorted({round(row.truth["beat_hz"], 2) for row in at}):
            here = [row for row in at if round(row.truth["beat_hz"], 2) == beat_hz and row.told]
            if here:
                errors, best = [row.error_hz for row in here], [row.bounds.joint_hz for row in here]
                print(
                    f"  {beat_hz:4.2f} Hz {len(here):4} takes  {_rms(errors):.4f}  {np.median(errors):.4f}"
                    f"   bound {_rms(best):.4f}  {np.median(best):.4f}"
                )


def say_time(rows: Sequence[Row]) -> None:
    """How long an answer takes to compute, behind the sound that it is of."""
    cpu_s = [row.cpu_s for row in rows]
    print(f"\nComputed in {np.median(cpu_s):.2f} s, in 99 % of the takes in {np.quantile(cpu_s, 0.99):.2f} s")


def say_kinds(rows: Sequence[Row]) -> None:
    """At 30 dB, by instrument and kind."""
    print("\n30 dB, beats of 0.2 Hz or more, within 0.05 Hz by instrument:")
    wide = [row for row in rows if row.truth["snr_db"] == 30 and row.truth["beat_hz"] > LEAST_BEAT_HZ]
    for name in sorted({(row.truth["instrument"], row.truth["kind"]) for row in wide}):
        here = [row for row in wide if (row.truth["instrument"], row.truth["kind"]) == name]
        print(f"  {' '.join(name):16} {share(here, lambda row: row.error_hz < WITHIN_HZ)}")


def say_singles(folder: Path) -> None:
    """Open strings: cents against the truth, and stiffness."""
    print("\nOne open string:")
    by_snr: dict[int, list[tuple[float, bool]]] = {}
    for truth, samples, rate_hz in judged(folder, ("single",)):
        heard = measured_string(samples, rate_hz, hz_from_midi(midi_from_note(truth["string"])))
        cents = math.inf if heard is None else abs(cents_between(heard.f0_hz, truth["f0_hz"]))
        low, high = stiffness_range(0.0 if heard is None else heard.stiffness_b, measured=True)
        kept = heard is not None and low <= truth["stiffness_b"] <= high
        by_snr.setdefault(truth["snr_db"], []).append((cents, kept))
    for snr_db, found in sorted(by_snr.items(), reverse=True):
        for words, hits in (
            (f"f0 within {WITHIN_CENTS:g} cent", sum(cents < WITHIN_CENTS for cents, _ in found)),
            ("B in its range", sum(kept for _, kept in found)),
        ):
            low, high = wilson(hits, len(found))
            print(
                f"  {snr_db} dB: {words:18} {100 * hits / len(found):5.1f} %"
                f" ({100 * low:.1f} to {100 * high:.1f}, {hits} of {len(found)})"
            )


def _rms(values: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.bench_beats", description=__doc__)
    parser.add_argument("folder", type=Path, help="a set of takes, OUT/test")
    parser.add_argument("--strings", action="store_true", help="open strings only")
    options = parser.parse_args(argv)
    folder: Path = options.folder
    if not any(folder.glob("tuning/*.json")):
        print(f"{folder}: holds no tuning takes", file=sys.stderr)
        return 1
    if not options.strings:
        rows = pairs(folder)
        say_pairs(rows)
        say_time(rows)
        say_kinds(rows)
    say_singles(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
