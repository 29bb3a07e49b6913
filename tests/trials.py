"""What the trials that are run by hand share: their command line, a folder for a while, the tally that they print."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path


def command_line(purpose: str | None, counted: str = "count") -> argparse.ArgumentParser:
    """How often, and the seed; the usage says what is counted, and the first line of a module's text what it is for."""
    parser = argparse.ArgumentParser(description=(purpose or "").splitlines()[0])
    parser.add_argument("count", type=int, metavar=counted)
    parser.add_argument("--seed", type=int, default=1)
    return parser


def tally_of(
    trial: Callable[[int, int, Path], Counter[str]], chosen: argparse.Namespace, parent: Path | None = None
) -> Counter[str]:
    """Try so often with that seed in a folder that is gone afterwards; `parent` is where it stands."""
    with tempfile.TemporaryDirectory(dir=parent) as scratch:
        return trial(chosen.count, chosen.seed, Path(scratch) / "practice")


def print_tally(heading: str, rows: Iterable[tuple[str, int]]) -> int:
    """What was seen how often, one a line; the exit status."""
    lines = [heading, *(f"  {times:5}  {what}" for what, times in rows)]
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


@contextmanager
def named(*run: object) -> Iterator[None]:
    """Where a run fails or is broken off, write which it was, as these read by then."""
    try:
        yield
    except BaseException:
        sys.stderr.write(f"{' '.join(map(str, run))}\n")
        raise
