"""How well the ear hears: `python -m benchmarks.bench_listen SET_FOLDER ...` on takes of `benchmarks.sounds`.

Each session is heard as a player's is: strings from OPEN.wav, the notes' sound from clean takes, then every take.
Beat 1 is found from the clicks; where a session has none, every take's is given (`--starts-at`). Intervals are those of
Clopper and Pearson, of events taken as independent. What is refused, a take or a whole session, counts as "can't tell"
for each of its events. Played events that are silent, since the font has no such note, are left out of all parts but
the one named so. `--rows FILE` keeps what was heard of each event.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from scipy.stats import binomtest

from coach.ground.problem import CoachError, Problem
from coach.listen.heard import UNSURE, VERDICTS, Heard
from coach.listen.recording import Recording
from coach.listen.sound_file import read_sound
from coach.listen.takes import ear_of, recording_of
from coach.music.drill import Drill
from coach.music.excerpt import Passage, whole_phrase
from coach.music.passages import passage_of
from coach.rating.table import Says
from coach.score.load import load_drill

CLEAR_SNR_DB, MODERATE_BPM = 20, 110
CHOKED_DB = -11.5
"""A touch that was aimed at 12 dB takes 11.5 or more."""
ONSET_MS = 10.0
SILENT_DB = -100.0
"""Power of an event's strings against the take's loudest, below which nothing sounds: 16 bits reach to -96."""
MARKS = tuple(word for word, row in VERDICTS.items() if row.says is Says.FAILED)


@dataclass(frozen=True)
class Row:
    """One event: what was played and what was heard."""

    session: str
    """Its folder: sessions of two sets may have one name."""
    source: str
    take: str
    label: int
    tempo_bpm: int
    snr_db: int
    all_clean: bool
    silent: bool
    """Played, yet without a sound: a font that has no such note."""
    truth: str
    touch_db: float
    onset_ms: float | None
    heard: str
    certainty: float
    heard_ms: float | None
    why: str
    cpu_s: float
    sound_s: float


def rows_of(session: Path) -> Iterator[Row]:
    """Everything heard in one session."""
    drill = load_drill(session / "drill.yaml")
    passage = _passage(drill, _truth(session / "clean-1.json")["phrase"])
    refused = ""
    try:
        ear = ear_of(drill.instrument, read_sound(str(session / "OPEN.wav")), "OPEN.wav")
    except CoachError as error:
        refused = str(error)
    for path in sorted(session.glob("clean-*.wav")) if not refused else ():
        # What is refused is left out, as a player would.
        with suppress(CoachError):
            ear = ear.learn(_recording(path, drill, passage))
    for path in sorted(session.glob("take-*.wav")):
        truth = _truth(path.with_suffix(".json"))
        events = {event["label"]: event for event in truth["events"]}
        cpu_s = sound_s = 0.0
        try:
            if refused:
                raise CoachError(Problem(refused))
            recording = _recording(path, drill, passage)
            before_s = time.process_time()
            heard = ear.judge(recording)
            cpu_s, sound_s = time.process_time() - before_s, recording.length_s
        except CoachError as error:
            print(f"{session.name} {path.stem}: {error}", file=sys.stderr)
            heard = tuple(Heard(label, UNSURE, 0.0, None, str(error)) for label in events)
        for one in heard:
            yield _row(str(session), path.stem, truth, events[one.label], one, cpu_s, sound_s)


def _row(
    session: str,
    take: str,
    truth: dict[str, Any],
    event: dict[str, Any],
    one: Heard,
    cpu_s: float,
    sound_s: float,
) -> Row:
    return Row(
        session,
        truth["source"],
        take,
        one.label,
        truth["tempo_bpm"],
        truth["snr_db"],
        truth["all_clean"],
        bool(event["played"]) and event["own_db"] < SILENT_DB,
        event["result"],
        event["touch_db"],
        event["onset_ms"],
        one.verdict.word,
        one.certainty,
        one.onset_ms,
        one.why,
        cpu_s,
        sound_s,
    )


def _truth(path: Path) -> dict[str, Any]:
    value: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return value


def _passage(drill: Drill, phrase_name: str) -> Passage:
    phrase = next(phrase for phrase in drill.phrases if phrase.name == phrase_name)
    return passage_of(drill, whole_phrase(drill, phrase))


def _recording(path: Path, drill: Drill, passage: Passage) -> Recording:
    truth = _truth(path.with_suffix(".json"))
    starts_at_s = truth["starts_at_s"] if truth["chain"]["clicks"] == "none" else None
    return recording_of(read_sound(str(path)), drill, passage, truth["tempo_bpm"], starts_at_s, str(path))


def share(hits: int, of: int) -> str:
    """A share with its 95 % interval (Clopper and Pearson 1934)."""
    if not of:
        return "-"
    low, high = binomtest(hits, of).proportion_ci()
    return f"{hits / of:.1%} ({low:.1%} to {high:.1%}), {hits} of {of}"


def good(row: Row) -> bool:
    """A note that nothing has to be said of."""
    return row.truth in ("clean", "released")


def choked(row: Row) -> bool:
    return row.truth == "choked" and row.touch_db <= CHOKED_DB


def marked(row: Row) -> bool:
    return row.heard in MARKS


def summary(rows: Sequence[Row]) -> list[tuple[str, str]]:
    """The measures of the table, each with its value."""
    wrong = [row for row in rows if good(row)]
    judged = [row for row in rows if row.heard != "unsure"]
    takes: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        if row.all_clean:
            takes.setdefault((row.session, row.take), []).append(row)

    def found(kind: Callable[[Row], bool]) -> str:
        those = [row for row in judged if kind(row)]
        return share(sum(map(marked, those)), len(those))

    def named(result: str, kind: Callable[[Row], bool]) -> str:
        those = [row for row in judged if kind(row) and marked(row)]
        return share(sum(row.heard == result for row in those), len(those))

    timed = [
        abs(row.heard_ms - row.onset_ms)
        for row in rows
        if row.truth in ("clean", "late") and row.heard_ms is not None and row.onset_ms is not None
    ]
    return [
        ("events", str(len(rows))),
        ("marks on good notes", share(sum(map(marked, wrong)), len(wrong))),
        (
            "clean repetitions with a mark",
            share(sum(any(map(marked, each)) for each in takes.values()), len(takes)),
        ),
        ("can't tell", share(len(rows) - len(judged), len(rows))),
        ("chokes of 12 dB or more found, of those judged", found(choked)),
        ("missing notes found, of those judged", found(lambda row: row.truth == "missing")),
        ("chokes and missing notes together", found(lambda row: choked(row) or row.truth == "missing")),
        ("other notes found", found(lambda row: row.truth == "other")),
        ("late notes found", found(lambda row: row.truth == "late" and (row.onset_ms or 0.0) >= 30.0)),
        ("a choke called a choke", named("choked", choked)),
        ("a missing note called missing", named("missing", lambda row: row.truth == "missing")),
        (
            "held notes let go that were marked",
            share(*_counted(marked, [r for r in rows if r.truth == "released"])),
        ),
        ("beginnings within 10 ms", share(sum(ms <= ONSET_MS for ms in timed), len(timed))),
        ("share of a core", _core(rows)),
    ]


def _counted(kind: Callable[[Row], bool], rows: Sequence[Row]) -> tuple[int, int]:
    return sum(map(kind, rows)), len(rows)


def _core(rows: Sequence[Row]) -> str:
    takes = {(row.session, row.take): (row.cpu_s, row.sound_s) for row in rows}
    return f"{sum(cpu for cpu, _ in takes.values()) / max(sum(s for _, s in takes.values()), 1e-9):.2%}"


def _moderate(rows: Sequence[Row]) -> list[Row]:
    return [row for row in rows if row.snr_db >= CLEAR_SNR_DB and row.tempo_bpm <= MODERATE_BPM]


def tables(rows: Sequence[Row]) -> Iterator[str]:
    """The measures at 20 dB and 110 bpm, apart by source, then what lies beyond, then failures by tempo."""
    every, rows = rows, [row for row in rows if not row.silent]
    main = _moderate(rows)
    yield f"{len(every) - len(rows)} silent events are left out, but of the part that is named so"
    parts = [
        ("all", main),
        ("all, silent ones too", _moderate(every)),
        ("simulated", [row for row in main if row.source == "simulated"]),
        ("sampled", [row for row in main if row.source == "sampled"]),
        ("faster", [row for row in rows if row.snr_db >= CLEAR_SNR_DB and row.tempo_bpm > MODERATE_BPM]),
        ("12 dB", [row for row in rows if row.snr_db < CLEAR_SNR_DB]),
    ]
    for name, part in parts:
        if part:
            yield f"\n| {name} | |\n| --- | --- |"
            yield from (f"| {what} | {value} |" for what, value in summary(part))
    yield "\n| bpm | good notes marked | chokes and missing notes passed | can't tell |\n| --- | --- | --- | --- |"
    for tempo_bpm in sorted({row.tempo_bpm for row in rows}):
        here = [row for row in rows if row.tempo_bpm == tempo_bpm and row.snr_db >= CLEAR_SNR_DB]
        lost = [row for row in here if (choked(row) or row.truth == "missing") and row.heard != "unsure"]
        passed = sum(not marked(row) for row in lost)
        those = [row for row in here if good(row)]
        unsure = sum(row.heard == "unsure" for row in here)
        counts = (
            f"{sum(map(marked, those))} of {len(those)}",
            f"{passed} of {len(lost)}",
            f"{unsure} of {len(here)}",
        )
        yield f"| {tempo_bpm} | {' | '.join(counts)} |"
    yield from _kinds(main)


def _kinds(rows: Sequence[Row]) -> Iterator[str]:
    heard = tuple(VERDICTS)
    yield f"\n| played | {' | '.join(heard)} |\n| --- | {' | '.join('---' for _ in heard)} |"
    for truth in sorted({row.truth for row in rows}):
        counts = [sum(row.truth == truth and row.heard == word for row in rows) for word in heard]
        yield f"| {truth} | {' | '.join(map(str, counts))} |"


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "folders", type=Path, nargs="+", help="sets as benchmarks.sounds wrote them: OUT/test"
    )
    parser.add_argument("--rows", type=Path, help="keep every event's row here, as JSON lines")
    parser.add_argument(
        "--again", action="store_true", help="only make the tables of the rows that were kept"
    )
    arguments = parser.parse_args(argv)
    rows: list[Row] = []
    if arguments.again:
        rows = [Row(**json.loads(line)) for line in arguments.rows.read_text().splitlines()]
    else:
        for session in sorted(
            at.parent for folder in arguments.folders for at in folder.glob("*/drill.yaml")
        ):
            here = list(rows_of(session))
            rows += here
            print(session, len(rows), file=sys.stderr, flush=True)
            if arguments.rows:
                with arguments.rows.open("a") as kept:
                    kept.writelines(json.dumps(asdict(row)) + "\n" for row in here)
    print("\n".join(tables(rows)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
