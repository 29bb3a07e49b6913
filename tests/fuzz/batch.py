"""One batch of runs in a process of its own: what became of each, what the worst cost, and what failed."""

from __future__ import annotations

import contextlib
import errno
import gc
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from coach.ground.problem import CoachError
from tests.fuzz.targets import ACCEPTED, TARGETS, Target, refusal

MOST_MB = 300
ADDRESS_SPACE_MB = 900
"""Beyond what the process has already; an allocation above it fails at once."""
MOST_IN_POOL = 400
SCRATCH = "/dev/shm" if os.path.isdir("/dev/shm") else None
"""In memory where the system has such a folder: a run writes small files."""


@dataclass
class Failure:
    """An input that broke a rule."""

    what: str
    data: bytes
    trace: str

    def save(self, folder: Path, target: str) -> None:
        """Into a file named by target and content, the traceback beside it."""
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{target}-{sha256(self.data).hexdigest()[:12]}"
        path.write_bytes(self.data)
        path.with_name(path.name + ".txt").write_text(f"{self.what}\n{self.trace}", "utf-8", "replace")


@dataclass
class Tally:
    """What became of some runs of one target."""

    target: str = ""
    runs: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    worst_s: float = 0.0
    worst_mb: float = 0.0
    failures: list[Failure] = field(default_factory=list)

    @property
    def accepted(self) -> int:
        return sum(count for end, count in self.ends.items() if not end.startswith("refused"))

    def add(self, other: Tally) -> None:
        """Take in the tally of another batch of the same target."""
        self.target = other.target
        self.runs += other.runs
        self.ends += other.ends
        self.worst_s = max(self.worst_s, other.worst_s)
        self.worst_mb = max(self.worst_mb, other.worst_mb)
        self.failures += other.failures

    def facts(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "target": self.target, "runs": self.runs, "accepted": self.accepted, "ends": len(self.ends),
            "worst_s": round(self.worst_s, 3), "worst_mb": round(self.worst_mb, 1), "failures": len(self.failures),
            "failed": sorted({failure.what for failure in self.failures}),
        }  # fmt: skip


class TooSlowError(BaseException):
    """No `except Exception` of the code under test may swallow it."""


def run_batch(name: str, seed: int, start: int, runs: int, only: bytes | None = None) -> Tally:
    """Fork, run, and read the tally back; a process that dies or hangs is a failure of its last input."""
    target = TARGETS[name]
    target.seeds()
    reading, writing = os.pipe()
    notes = tempfile.NamedTemporaryFile(prefix="fuzz-", delete=False, dir=SCRATCH)  # noqa: SIM115
    child = os.fork()
    if not child:
        os.close(reading)
        status = 1
        try:
            tally = _alone(name, target, seed, start, runs, only, Path(notes.name))
            import pickle

            with os.fdopen(writing, "wb") as out:
                pickle.dump(tally, out)
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    os.close(writing)
    try:
        return _result(name, runs, child, reading, Path(notes.name))
    finally:
        notes.close()
        Path(notes.name).unlink(missing_ok=True)


def _result(name: str, runs: int, child: int, reading: int, notes: Path) -> Tally:
    import pickle
    import select

    data, waited, last = b"", 0, b""
    with os.fdopen(reading, "rb", buffering=0) as pipe:
        while True:
            ready, _, _ = select.select([pipe], [], [], 20)
            if ready:
                piece = pipe.read(1 << 20)
                if not piece:
                    break
                data += piece
                continue
            now = notes.read_bytes()
            waited = waited + 1 if now == last else 0
            last = now
            if waited >= 6:  # the same input for two minutes, inside code that no alarm interrupts
                os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if data and not status:
        tally: Tally = pickle.loads(data)
        return tally
    what = f"the process ended with status {status} ({'hung' if waited >= 6 else 'died'})"
    # How far it came is not known, and none of its runs is counted.
    return Tally(name, 0, failures=[Failure(what, notes.read_bytes(), "")])


def _alone(
    name: str, target: Target, seed: int, start: int, runs: int, only: bytes | None, notes: Path
) -> Tally:
    tally = Tally(name)
    rng = random.Random(f"{name} {seed} {start}")
    pool = list(target.seeds())
    own = len(pool)
    scratch = Path(tempfile.mkdtemp(prefix="fuzz-", dir=SCRATCH))
    (scratch / "in").mkdir()
    _warm_up(target, pool, scratch / "in")
    # What stays is not gone through again by every collection of the runs.
    gc.collect()
    gc.freeze()
    guard = _Guard(scratch, notes)
    _bound_memory()
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    signal.signal(signal.SIGPROF, _too_slow)
    with notes.open("r+b", buffering=0) as noting:
        for _ in range(runs):
            data = (
                only if only is not None else target.mutate(rng, pool if rng.random() < 0.3 else pool[:own])
            )
            noting.seek(0)
            noting.truncate()
            noting.write(data)
            tally.runs += 1
            began = time.process_time()
            end = _one(tally, target, data, scratch / "in", guard)
            tally.worst_s = max(tally.worst_s, time.process_time() - began)
            peak_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb) / 1024
            if peak_mb > MOST_MB and tally.worst_mb <= MOST_MB:
                tally.failures.append(Failure(f"memory grew by {peak_mb:.0f} MB", data, ""))
            tally.worst_mb = max(tally.worst_mb, peak_mb)
            new = end not in tally.ends or (not end.startswith(("refused", "failed")) and rng.random() < 0.02)
            if new and len(pool) < own + MOST_IN_POOL and len(data) < 20_000:
                pool.append(data)
            tally.ends[end] += 1
    if guard.on:
        strays = sorted(path.name for path in scratch.iterdir() if path.name != "in")
        if strays:
            tally.failures.append(Failure(f"written outside: {strays}", b"", ""))
    guard.on = False
    shutil.rmtree(scratch, ignore_errors=True)
    return tally


def _one(tally: Tally, target: Target, data: bytes, folder: Path, guard: _Guard) -> str:
    signal.setitimer(signal.ITIMER_PROF, target.longest_s)
    try:
        try:
            end = target.run(data, folder)
        except CoachError as error:
            end = refusal(error)
        signal.setitimer(signal.ITIMER_PROF, 0)
        touched = [*guard.touched]
        guard.touched.clear()
        assert target.may_name_paths or not touched, f"outside the folder: {touched}"
        return end
    except (Exception, TooSlowError) as error:
        signal.setitimer(signal.ITIMER_PROF, 0)
        place = traceback.extract_tb(error.__traceback__)[-1]
        what = f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno}"
        if sum(failure.what == what for failure in tally.failures) < 3:
            tally.failures.append(Failure(what, data, traceback.format_exc()))
        guard.touched.clear()
        return f"failed: {what}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


def _too_slow(signum: int, frame: object) -> None:
    raise TooSlowError


def _warm_up(target: Target, pool: list[bytes], folder: Path) -> None:
    """What is imported and cached at first use is no input's cost."""
    for data in dict.fromkeys(pool[:12]):
        with contextlib.suppress(Exception):
            target.run(data, folder)


def _bound_memory() -> None:
    size_kb = next(
        int(line.split()[1])
        for line in Path("/proc/self/status").read_text().splitlines()
        if line.startswith("VmSize")
    )
    limit = (size_kb // 1024 + ADDRESS_SPACE_MB) << 20
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


class _Guard:
    """Forbids, and notes, all writing outside a folder, every connection and every program: this may run as root."""

    EVENTS = (
        *(
            "os.mkdir",
            "os.rename",
            "os.remove",
            "os.rmdir",
            "os.symlink",
            "os.link",
            "os.truncate",
            "os.chmod",
        ),
        *("os.chown", "os.utime", "shutil.copyfile", "shutil.move", "sqlite3.connect"),
    )

    def __init__(self, folder: Path, notes: Path) -> None:
        self.inside = (str(folder), str(notes), "/dev/null")
        self.touched: list[str] = []
        self.on = True
        sys.dont_write_bytecode = True  # A module that is imported late would write beside itself.
        sys.addaudithook(self._hear)

    def _hear(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.on:
            return
        if event == "open":
            path, _, flags = arguments
            if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC):
                self._forbid(event, path)
        elif event in self.EVENTS:
            for path in arguments[:2]:
                self._forbid(event, path)
        elif event in ("socket.connect", "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn"):
            self.touched.append(f"{event} {arguments!r}")
            raise PermissionError(errno.EPERM, "forbidden while fuzzing")

    def _forbid(self, event: str, path: object) -> None:
        if not isinstance(path, str | bytes | os.PathLike):
            return
        name = os.fsdecode(path)
        if name in ("", ":memory:") or name.startswith("file::memory:"):
            return
        if not os.path.realpath(name.removeprefix("file://")).startswith(self.inside):
            self.touched.append(f"{event} {name}")
            raise PermissionError(errno.EPERM, "forbidden while fuzzing", name)


def events(tally: Tally) -> Iterator[str]:
    """The ends, the most frequent first."""
    for end, count in tally.ends.most_common():
        yield f"{count:7} {end}"


__all__ = ["ACCEPTED", "Failure", "Tally", "events", "run_batch"]
