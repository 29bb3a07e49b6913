"""`python -m benchmarks.sounds OUT_FOLDER --set train|test --seed S [--count N]`: write a set."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from benchmarks.sounds.sampled import FONTS, available
from benchmarks.sounds.takes import write_session
from benchmarks.sounds.tunings import write_tunings


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.sounds", description="Write a set of takes.")
    parser.add_argument("out_folder", type=Path)
    parser.add_argument("--set", choices=("train", "test"), required=True, dest="which")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--count", type=int, default=8, help="simulated sessions (default: 8)")
    parser.add_argument("--sampled", type=int, default=3, help="sampled sessions (default: 3)")
    parser.add_argument("--tunings", type=int, default=2, help="tuning takes of each pair (default: 2)")
    options = parser.parse_args(argv)
    folder = options.out_folder / options.which
    summary = {"set": options.which, "seed": options.seed, "simulated_events": 0, "sampled_events": 0}
    for number in range(options.count):
        summary["simulated_events"] += write_session(folder, options.which, "simulated", number, options.seed)
    if available(options.which):
        for number in range(options.sampled):
            summary["sampled_events"] += write_session(folder, options.which, "sampled", number, options.seed)
    elif options.sampled:
        print(f"no sampled takes: fluidsynth or {FONTS[options.which]} is not there", file=sys.stderr)
    summary["tunings"] = write_tunings(folder / "tuning", options.which, options.seed, options.tunings)
    (folder / "set.json").write_text(json.dumps(summary, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(summary))
    return 0


if __name__ == "__main__":
    sys.exit(main())
