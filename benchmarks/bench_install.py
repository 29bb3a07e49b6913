"""The wheel's size, and how long it takes to install, beside textual's, its largest dependency of pure Python.

Wheels are fetched once into a folder, through pip and its cache, and installed from there without the network, each
time into a new folder and with bytecode written.
"""

from __future__ import annotations

import itertools
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from benchmarks.measure import Options, Row, beside, in_turns, wall_ms

ROOT = Path(__file__).resolve().parent.parent
PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet")


def installing(options: Options) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        house = folder / "house"
        _pip("wheel", "--no-deps", "-w", str(house), str(ROOT))
        (ours,) = house.glob("wellrung-*.whl")
        _pip("download", "-d", str(house), str(ours))
        (theirs,) = house.glob("textual-*.whl")
        numbers = itertools.count()

        def install(*what: str) -> Callable[[], object]:
            def work() -> None:
                target = folder / f"target{next(numbers)}"
                _pip("install", "--no-index", "--find-links", str(house), "--target", str(target), *what)

            return work

        rounds = 2 if options.quick else 5
        alone = in_turns(
            {
                "ours": wall_ms(install("--no-deps", str(ours))),
                "theirs": wall_ms(install("--no-deps", str(theirs))),
            },
            rounds,
        )
        whole = in_turns(
            {"ours": wall_ms(install(str(ours))), "theirs": wall_ms(install(str(theirs)))},
            min(rounds, 3),
            warm=False,
        )
        target = folder / "whole"
        _pip("install", "--no-index", "--find-links", str(house), "--target", str(target), str(ours))
        size = sum(path.stat().st_size for path in target.rglob("*") if path.is_file())
        shutil.rmtree(target)
        yield beside("wheel", "kB", "textual's", [ours.stat().st_size / 1000], [theirs.stat().st_size / 1000])
    yield beside("install the wheel alone", "ms", "textual's", alone["ours"], alone["theirs"])
    yield beside(
        "install it with all it needs", "ms", "textual with all it needs", whole["ours"], whole["theirs"]
    )
    yield Row("on the disk with all it needs", "MB", size / 1e6)


def _pip(*words: str) -> None:
    done = subprocess.run([*PIP, *words], capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"pip {words[0]} failed:\n{done.stderr}")
