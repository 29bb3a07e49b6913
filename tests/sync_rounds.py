"""Practise on two machines in one synchronised folder, both open at once, and see that nothing is lost.

    python -m tests.sync_rounds 500 [--seed N]

Each machine is a process of its own with the program's own log open in a copy of the folder; it logs repetitions,
corrects and takes back, says what is known already, closes and opens again, plans. Between the copies works a
synchroniser as crude as they come: at random moments, while lines are being written, it carries a file over as it
stands, half a line at its end or not, puts back a version of the same run that it kept too long, makes a second copy
under another name, or removes a file whose lines are all of this run. (What was written by an earlier run and taken
away since is noticed, which `tests.damages` tries.) In the end both machines close, the synchroniser catches up, and
each copy has to hold every word that either machine told as saved, with the same plan following from both, the same
as from a log without a cache.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import sys
from collections import Counter
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path

from coach.learning.learning import LearningFold
from coach.log.entries import Entry, Rep
from coach.log.log import Log
from tests.kills import LAST_DAY, assert_cached_is_anew, one_id
from tests.logs import FAULTS, NOON, id_at, known_at, passage_named, rep_at
from tests.trials import command_line, print_tally, tally_of

MACHINES = ("desk", "lap")
VERSIONS = 6


def practise(machine: str, folder: Path, seed: int, pipe: Connection) -> None:
    """One machine: each message is a round; the answer is what it had told as saved by then."""
    rng = random.Random(f"{machine} {seed}")
    log = opened(folder, machine)
    moment, saved = 0, []
    while (order := pipe.recv()) != "end":
        if rng.random() < 0.05:
            pipe.send("close")
            pipe.recv()
            log.close()
            log = opened(folder, machine)
            pipe.send("opened")
        for _ in range(rng.randrange(4)):
            moment += 1
            at_ms = NOON + order * 40_000_000 + moment * 1000 + MACHINES.index(machine)
            saved += words_of(log, at_ms, rng)
        if rng.random() < 0.2:
            log.state(LearningFold(), LAST_DAY)
        pipe.send(saved)
        saved = []
    refusal = log.retry()
    assert refusal is None, refusal
    log.close()
    pipe.send("closed")


def opened(folder: Path, machine: str) -> Log:
    """The log of one player, to whom each machine gives an id of its own until it meets the other's."""
    return Log.open(folder, "Ada", now_ms=NOON, machine=lambda: machine)


def words_of(log: Log, at_ms: int, rng: random.Random) -> list[str]:
    """Log something; ids of what was told as saved."""
    action, ids = rng.random(), []
    if action < 0.75:
        passage = passage_named(f"lantern {rng.randrange(5)}")
        rep = rep_at(log, at_ms, rng.choice(FAULTS), passage)
        if log.send((rep, passage)) is None:
            ids.append(rep.id)
    elif action < 0.9:
        reps: list[Rep] = [word[0] for word in log.sent if isinstance(word, tuple)]
        if reps and log.correct(rng.choice(reps), (), at_ms, void=rng.random() < 0.5) is None:
            ids.append(one_id(log.sent[-1]))
    else:
        note = Entry(id_at(at_ms, "note"), log.player.id, at_ms, 60, "note", {"text": "a thumb"})
        known = known_at(log, at_ms, passage_named(f"lantern {rng.randrange(5)}"), rng.choice((0, 48, 64)))
        entry = rng.choice((note, known))
        if log.send(entry) is None:
            ids.append(entry.id)
    return ids


class Synchroniser:
    """Carries files between two folders, badly."""

    def __init__(self, folders: dict[str, Path], rng: random.Random) -> None:
        self.folders, self.rng = folders, rng
        self.versions: dict[str, list[bytes]] = {}
        """Of each machine's own files, versions of its present run, the newest last."""
        self.closing: set[str] = set()
        self.restarted: set[str] = set()

    def work(self) -> str:
        source, target = self.rng.sample(MACHINES, 2)
        names = [path.name for path in self.folders[source].glob("*.jsonl")]
        if not names:
            return "nothing"
        name = self.rng.choice(names)
        data = (self.folders[source] / name).read_bytes()
        if name.startswith(source) and source not in self.closing:
            kept = self.versions.setdefault(name, [])
            kept.append(data)
            del kept[:-VERSIONS]
        action = self.rng.random()
        if action < 0.6:
            if name.startswith(target):
                return "left alone"  # A file is carried from the machine that writes it.
            cut = self.rng.random() < 0.2
            self.put(target, name, data[: -self.rng.randrange(1, 90)] if cut and len(data) > 90 else data)
            return "carried half" if cut else "carried"
        if self.closing & {source, target}:
            return "nothing"
        if action < 0.7 and self.versions.get(name):
            self.put(source, name, self.rng.choice(self.versions[name]))
            return "put back"
        if action < 0.8:
            self.put(target, f"copy {self.rng.randrange(3)} of {name}", data)
            return "copied"
        if action < 0.9 and name.startswith(source) and source not in self.restarted:
            with suppress(FileNotFoundError):
                (self.folders[source] / name).unlink()
            return "removed"
        return "nothing"

    def put(self, machine: str, name: str, data: bytes) -> None:
        """As synchronisers do: a new file, renamed into the old one's place, or the old one overwritten."""
        path = self.folders[machine] / name
        part = path if self.rng.random() < 0.3 else self.folders[machine] / f".{name}.part"
        part.write_bytes(data)
        os.replace(part, path)

    def close(self, machine: str) -> None:
        """What was kept from before a run must not come back in it: nobody could write its lines again."""
        self.closing.add(machine)
        self.restarted.add(machine)
        for name in [name for name in self.versions if name.startswith(machine)]:
            del self.versions[name]

    def catch_up(self) -> None:
        """In the end every file of a machine's own is carried to the other."""
        for source, target in (MACHINES, MACHINES[::-1]):
            for path in self.folders[source].glob(f"{source}-*.jsonl"):
                self.put(target, path.name, path.read_bytes())


def sync_once(folder: Path, seed: int, rounds: int) -> Counter[str]:
    """Two machines for some rounds; what the synchroniser did. AssertionError where something is lost."""
    rng = random.Random(seed)
    folders = {machine: folder / machine / "log" for machine in MACHINES}
    synchroniser = Synchroniser(folders, rng)
    context = multiprocessing.get_context("fork")
    done: Counter[str] = Counter()
    pipes, processes = {}, {}
    for machine in MACHINES:
        folders[machine].mkdir(parents=True)
        pipes[machine], end = context.Pipe()
        process = context.Process(target=practise, args=(machine, folders[machine], seed, end))
        process.start()
        processes[machine] = process
    saved: set[str] = set()
    for number in range(rounds):
        for pipe in pipes.values():
            pipe.send(number)
        waiting = set(MACHINES)
        while waiting:
            for machine in sorted(waiting):
                # The synchroniser works while they write.
                if pipes[machine].poll(0.0005):
                    answer = pipes[machine].recv()
                    if answer == "close":
                        synchroniser.close(machine)
                        pipes[machine].send("closing is well")
                    elif answer == "opened":
                        synchroniser.closing.discard(machine)
                    else:
                        saved |= set(answer)
                        waiting.discard(machine)
                elif not processes[machine].is_alive():
                    raise AssertionError(f"{machine} ended with {processes[machine].exitcode}")
            if rng.random() < 0.5:
                done[synchroniser.work()] += 1
    for machine, pipe in pipes.items():
        pipe.send("end")
        assert pipe.recv() == "closed", machine
    for process in processes.values():
        process.join()
        assert process.exitcode == 0
    synchroniser.catch_up()
    verify(folders, saved)
    return done


def verify(folders: dict[str, Path], saved: set[str]) -> None:
    states = []
    for machine, place in folders.items():
        with Log.open(place, None, now_ms=NOON, read_only=True) as log:
            standing = {line.split(b'"')[3].decode() for _, _, line in log.book.shelf.whole_lines()}
            lost = saved - standing
            assert not lost, f"{len(lost)} of {len(saved)} are lost on {machine}"
            (player,) = log.players()
            assert_cached_is_anew(log, LearningFold(), player.id)
            states.append(LearningFold().plain(log.state(LearningFold(), LAST_DAY, player.id)))
    assert states[0] == states[1], "the machines plan from different things"


def sync_often(rounds: int, seed: int, folder: Path) -> Counter[str]:
    """So many rounds, in runs of up to 25; what the synchroniser did."""
    done: Counter[str] = Counter()
    for number, start in enumerate(range(0, rounds, 25)):
        place = folder / "machines"
        shutil.rmtree(place, ignore_errors=True)
        done += sync_once(place, seed * 1000 + number, min(25, rounds - start))
    return done


def main() -> int:
    chosen = command_line(__doc__, "rounds").parse_args()
    done = tally_of(sync_often, chosen)
    return print_tally(f"{chosen.count} rounds, nothing lost; the synchroniser:", done.most_common())


if __name__ == "__main__":
    sys.exit(main())
