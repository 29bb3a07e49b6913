"""Targets that are built and not mutated: planted things, structured drills and scores, duets, own exports, takes."""

from __future__ import annotations

import io
import json
import os
import random
import socket
import stat
import struct
import sys
import tempfile
import wave
from collections.abc import Sequence
from contextlib import chdir, redirect_stderr, redirect_stdout
from functools import cache
from pathlib import Path
from unittest import mock

from coach.ground.files import free_path
from tests.fuzz import seeds
from tests.fuzz.invariants import assert_plain
from tests.fuzz.mutate import chance_of, mutated_bytes

# What is planted where, and what is called then.

PLACES = (
    *("settings.yaml", "assigned.jsonl", "drills", "drills/ferry.yaml", "drills/night.yaml", "progress"),
    *(
        "progress/log",
        "progress/log/{log}",
        "progress/log/x.jsonl",
        "progress/cache",
        "progress/cache/seen.json",
    ),
    *(
        "progress/cache/{cache}",
        "progress/backups",
        "progress/ear",
        "progress/ear/G2-D2-A1-E1.json",
        "out.csv",
    ),
    *("answers.txt", "replies", "replies/ada.json", "mia.yaml"),
)
BYTES = {"midi", "pdf", "wav"}
"""What a drill is exported to that is no text."""
KINDS = (
    "link",
    "link to nothing",
    "link to a folder",
    "link to a drill",
    "loop",
    "pipe",
    "socket",
    "folder",
    "zero",
    "null",
)
COMMANDS = tuple(
    line.split()
    for line in (
        *(
            "plan",
            "practice ferry --answers answers.txt --player Ada --date 2026-12-04",
            "log note x",
            "log show",
        ),
        *("log check", "log backup", "log export -o out.csv", "log undo", "log forget Ada --yes", "report"),
        *(
            "report --for-teacher --yes -o reply.json ferry",
            "roster replies",
            "assign ferry --to Mia -o mia.yaml",
        ),
        *(
            "check ferry",
            "new --title Night",
            "know ferry 60",
            "midi forget clean",
            "forecast ferry",
            "nodes",
        ),
        *("export ferry --to midi -o ferry.mid", "log rename Ada Eve", "log players", "tune --json"),
    )
)


def planted_case(rng: random.Random, _: Sequence[bytes]) -> bytes:
    """One to three things at places of a practice folder, and one to three commands."""
    plants = [(rng.choice(PLACES), rng.choice(KINDS)) for _ in range(rng.choice((1, 1, 1, 2, 3)))]
    return json.dumps([plants, [rng.choice(COMMANDS) for _ in range(rng.choice((1, 1, 2, 3)))]]).encode()


@cache
def practised_folder() -> dict[str, bytes]:
    """The files of a folder with some practice."""
    from tests.kills import WITHOUT_IDS

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "drills").mkdir()
        (folder / "drills" / "ferry.yaml").write_text(WITHOUT_IDS)
        (folder / "answers.txt").write_text("clean\nchoked 1\n")
        for words in (COMMANDS[1], ["assign", "ferry", "--to", "Mia", "-o", "mia.yaml"], ["plan"]):
            called(words, folder)
        return {
            str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()
        }


def called(words: Sequence[str], folder: Path, given: bytes = b"") -> int:
    """The exit status of a command in a folder, with what it is given to read; what it says and writes is plain."""
    from coach.cli import main

    out, faults = io.TextIOWrapper(io.BytesIO(), "utf-8", "surrogateescape"), io.StringIO()
    # A folder in which neither drills nor progress are left is no practice folder: then that of the user is.
    own = {f"XDG_{kind.upper()}_HOME": str(folder / kind) for kind in ("state", "data")}
    environment = mock.patch.dict(os.environ, own)
    reading = mock.patch.object(sys, "stdin", io.TextIOWrapper(io.BytesIO(given), "utf-8"))
    with environment, reading, chdir(folder), redirect_stdout(out), redirect_stderr(faults):
        try:
            status = main([*words])
        except SystemExit as end:
            status = int(end.code or 0)
    assert_plain(faults.getvalue())
    out.flush()
    if BYTES.isdisjoint(words):
        assert_plain(out.buffer.getvalue().decode("utf-8", "surrogateescape").replace("\r\n", "\n"))
    assert status in (0, 1, 2), status
    return status


def plant(path: Path, kind: str, outside: Path) -> None:
    """Put something in a path's place."""
    if path.is_dir() and not path.is_symlink():
        path.rename(free_path(path.with_name(f"{path.name}.away")))
    path.unlink(missing_ok=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    targets = {
        "link": "victim",
        "link to nothing": "nothing",
        "link to a folder": "folder",
        "link to a drill": "barge.yaml",
    }
    if kind in targets:
        path.symlink_to(outside / targets[kind])
    elif kind == "loop":
        path.symlink_to(path)
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "socket":
        with chdir(path.parent), socket.socket(socket.AF_UNIX) as one:
            one.bind(path.name)
    elif kind in ("zero", "null") and os.geteuid() == 0:
        os.mknod(path, stat.S_IFCHR | 0o666, os.makedev(1, 5 if kind == "zero" else 3))
    else:
        path.mkdir()


def run_planted(data: bytes, folder: Path) -> str:
    """Call commands in a folder in which things are planted: nothing outside it changes, nothing waits."""
    plants, commands = json.loads(data)
    mine, outside = folder / f"mine{len(os.listdir(folder))}", folder / f"outside{len(os.listdir(folder))}"
    for name, content in practised_folder().items():
        (mine / name).parent.mkdir(parents=True, exist_ok=True)
        (mine / name).write_bytes(content)
    (outside / "folder").mkdir(parents=True)
    (outside / "victim").write_text("# theirs\n")
    (outside / "barge.yaml").write_bytes(practised_folder()["drills/ferry.yaml"].replace(b"Ferry", b"Barge"))
    for place, kind in plants:
        _plant_at(mine, place, kind, outside)
    before = _contents(outside)
    ends = [f"{words[0]} {called(words, mine)}" for words in commands]
    assert _contents(outside) == before, "something outside was changed"
    return ", ".join(sorted(set(ends)))


def _plant_at(mine: Path, place: str, kind: str, outside: Path) -> None:
    for name in ("log", "cache"):
        if f"{{{name}}}" in place:
            there = sorted(one for one in practised_folder() if one.startswith(f"progress/{name}/"))
            place = there[-1]
    # What is planted above it may be no folder.
    if all(not (mine / part).is_symlink() for part in Path(place).parents):
        try:
            plant(mine / place, kind, outside)
        except (FileExistsError, NotADirectoryError):
            return


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() if path.is_file() else b"" for path in sorted(folder.rglob("*"))}


# Scores: two lines of one, and our own exports.


def run_duet(data: bytes, folder: Path, name: str) -> str:
    """Arrange a bar of a melody over a bass in one key, and read the drill back."""
    from coach.score.arrange_duet import arranged_duet
    from coach.score.duet import LineNames
    from coach.score.foreign import read_two_lines
    from coach.score.load import read_drill
    from coach.score.strands import Choices
    from coach.strings.ready_made import ready_made

    chance = chance_of(data)
    path = folder / name
    path.write_bytes(data)
    lines = chance.choice(
        (("1", "2"), ("1", "1"), ("staff 1", "staff 2"), ("voice 1", "voice 2"), ("2", "1"))
    )
    inside = chance.choice((None, "1")) if lines[0][0] in "sv" else None
    score = read_two_lines(path, LineNames(*lines, inside), None)
    keys = [chance.randrange(-6, 6)]
    drill, text, table = arranged_duet(score, Choices(bars=(1, 1)), ready_made("bass"), keys, name)
    assert_plain("\n".join([text, *table, *score.joined_remarks()]))
    assert read_drill(text, drill.path)[0] == drill
    return "accepted"


def run_own_export(data: bytes, folder: Path) -> str:
    """Read an export of ours, as it is or changed: a drill that is read back the same, or none."""
    from coach.score.load import read_drill
    from coach.score.musicxml_own import own_export

    path = folder / "x.musicxml"
    path.write_bytes(data)
    own = own_export(path)
    if own is None:
        return "refused: not ours"
    assert read_drill(own[1], own[0].path)[0] == own[0]
    assert_plain(own[1])
    return "accepted"


def own_exports() -> tuple[bytes, ...]:
    """Exports of short drills at their goals."""
    from coach.score.musicxml_out import musicxml_text

    return tuple(musicxml_text(drill, drill.goal_bpm).encode() for drill in seeds.drills())


# Takes: sound files and the options of `coach listen`.


@cache
def takes() -> tuple[bytes, ...]:
    """Takes of a decaying noise twice a second, at rates and widths that are read, as long as the phrase when fast."""
    made = []
    for rate, width, channels in ((22_050, 2, 1), (48_000, 2, 2), (22_050, 3, 1)):
        buffer = io.BytesIO()
        with wave.open(buffer, "wb") as file:
            file.setnchannels(channels)
            file.setsampwidth(width)
            file.setframerate(rate)
            rng = random.Random(rate)
            frames = (int(rng.uniform(-1, 1) * 20_000 * 0.9995 ** (n % (rate // 2))) for n in range(4 * rate))
            file.writeframes(
                b"".join(struct.pack("<i", value << 8)[4 - width :] * channels for value in frames)
            )
        made.append(buffer.getvalue())
    return tuple(made)


def mutated_take(rng: random.Random, pool: Sequence[bytes]) -> bytes:
    """A take with changed bytes, mostly in its heads."""
    data = bytearray(rng.choice(pool))
    if rng.random() < 0.3:
        return mutated_bytes(rng, bytes(data), pool)
    for _ in range(rng.choice((0, 1, 1, 2, 4))):
        data[rng.randrange(min(64, len(data)))] = rng.choice((0, 1, 2, 3, 8, 16, 24, 32, 64, 127, 128, 255))
    return bytes(data)


def run_take(data: bytes, folder: Path) -> str:
    """Listen to a take with some options: a table, or a sentence."""
    chance = chance_of(data)
    take = folder / "take.wav"
    take.write_bytes(data)
    words = [
        "listen",
        "--drill",
        "first-pour",
        "--phrase",
        "ladle",
        "--folder",
        str(folder / "home"),
        str(take),
    ]
    words += ["--tempo", chance.choice((*["300"] * 12, "60", "20", "0", "999", "x"))]
    # Most takes are to be listened to, and those with a clean one to be judged.
    for option, share, value in (
        ("--starts-at", 0.8, chance.choice((*["0"] * 8, "0.2", "-1", "1e9", "nan"))),
        ("--clean", 0.5, str(take)),
        ("--open-strings", 0.2, str(take)),
        ("--layer", 0.3, chance.choice(("harmonics", "harmonics", "bass", "nobody"))),
        ("--json", 0.4, ""),
    ):
        if chance.random() < share:
            words += [option, *([value] if value else [])]
    return f"listen: status {called(words, folder)}"
