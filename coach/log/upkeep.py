"""Care of the log: is it whole, a copy of it in one file, and the removal of a person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from coach.ground.codec import UnfitError
from coach.ground.files import free_path, write_whole
from coach.ground.frozen import frozen
from coach.ground.own_files import make_own_folder, refuse_link
from coach.ground.problem import CoachError, Problem, reason_of
from coach.log.disk import all_of, opened_for_append, read_whole
from coach.log.entries import Correction, Rep
from coach.log.lines import Record, is_whole, kind_of, lines_in, record_of
from coach.log.log import Log
from coach.log.pen import ENDING
from coach.log.people import Player
from coach.log.shelf import Shelf, View
from coach.music.excerpt import LoggedPassage


@frozen
class Health:
    """What a check found; `problems` is empty for a log that is whole."""

    counts: dict[str, int]
    """Records by kind, each once."""
    problems: tuple[Problem, ...]


def check_log(log: Log) -> Health:
    """Read every line of every file, whatever a cache says of it, and compare with all that was seen earlier."""
    shelf = log.book.shelf
    fresh = Shelf(shelf.folder, shelf.cache, lambda *_: None, trusting=False)
    fresh.read()
    records: dict[tuple[str, str], bytes] = {}
    passages: dict[str, tuple[View, int]] = {}
    reps: set[str] = set()
    corrected: dict[str, tuple[View, int]] = {}
    for view, start, line in fresh.whole_lines():
        try:
            record = record_of(line)
        except UnfitError as error:
            fresh.unfit(view, start, error)
            continue
        if records.setdefault((kind_of(record), record.id), line) != line:
            fresh.doubt(view, start, f"contradicts an earlier line about {record.id}; the earlier one counts")
        if isinstance(record, Rep):
            reps.add(record.id)
            passages.setdefault(record.passage, (view, start))
        elif isinstance(record, Correction):
            corrected.setdefault(record.rep, (view, start))
    for passage, (view, start) in passages.items():
        if ("passage", passage) not in records:
            fresh.doubt(view, start, "what it played is lost: its nodes and moves no longer count", "warning")
    for rep, (view, start) in corrected.items():
        if rep not in reps:
            fresh.doubt(view, start, f"corrects a repetition that is missing, {rep}", "warning")
    counts: dict[str, int] = {}
    for kind, _ in records:
        counts[kind] = counts.get(kind, 0) + 1
    return Health(counts, (*fresh.gone_problems(), *fresh.problems))


def backup_log(log: Log, now_ms: int, target: Path | None = None) -> Path:
    """All whole lines in one new file, which is a log file too: put into the log's folder it brings back what is gone.

    Beside the log's folder unless told otherwise; never over an existing file.
    """
    lines = dict.fromkeys(line for _, _, line in log.book.shelf.whole_lines())
    if not lines and log.book.shelf.refused:
        raise CoachError(log.book.shelf.problems)
    if not lines:
        raise CoachError("there is no log yet, so there is nothing to back up", str(log.folder))
    try:
        if target is None:
            make_own_folder(log.folder.parent / "backups")
            stamp = datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
            target = free_path(log.folder.parent / "backups" / f"log-{stamp}{ENDING}")
        elif target.exists():
            raise CoachError("exists already; a backup never replaces a file", str(target))
        write_whole(target, (line + b"\n" for line in lines))
    except OSError as error:
        raise CoachError(f"can't be written: {reason_of(error)}", str(target)) from error
    return target


@frozen
class Forgotten:
    """What was removed with a person."""

    lines: int
    cleaned: tuple[Path, ...]
    """Files that the person was removed from: of the log, and backups beside it."""
    unreadable: tuple[Path, ...]
    """Files that can't be read or written, or whose damaged lines can't be read, and so may still hold the person."""


def forget(log: Log, person: Player) -> Forgotten:
    """Remove a person from every file of the log and every backup beside it, and from the caches.

    Each file is written whole and put in the old one's place. Copies elsewhere are not touched, nor what another
    machine has not yet sent here. CoachError where one of the folders is a link: nothing is removed then.
    """
    folders = log.folder, log.folder.parent / "backups"
    cache = log.book.shelf.cache
    for folder in (*folders, cache):
        refuse_link(folder)
    files = [path for folder in folders for path in _files_of(folder)]
    reps = {rep.id for path in files for rep in _reps_in(path) if rep.player in person.ids}
    # First: a run that is cut off here must not leave behind a memory of lines that are gone on purpose.
    with suppress(OSError):
        for path in (
            cache / "seen.json",
            *(kept for one in person.ids for kept in cache.glob(f"*-{one}.json")),
        ):
            path.unlink(missing_ok=True)
    removed: set[bytes] = set()
    cleaned, unreadable = [], []
    for path in files:
        try:
            gone, unclear = _clean(path, person, reps)
        except (CoachError, OSError):
            unreadable.append(path)
            continue
        removed |= gone
        if gone:
            cleaned.append(path)
        if unclear:
            unreadable.append(path)
    log.book.read_anew()
    return Forgotten(len(removed), tuple(cleaned), tuple(unreadable))


def _files_of(folder: Path) -> list[Path]:
    with suppress(OSError):
        return sorted(path for path in folder.iterdir() if path.name.endswith(ENDING))
    return []


def _reps_in(path: Path) -> Iterator[Rep]:
    with suppress(CoachError):
        for line in lines_in(read_whole(path)):
            record = _record(line)
            if isinstance(record, Rep):
                yield record


def _record(line: bytes) -> Record | None:
    with suppress(UnfitError):
        return record_of(line) if is_whole(line) else None
    return None


def _clean(path: Path, person: Player, reps: set[str]) -> tuple[set[bytes], bool]:
    """Write a file anew without a person; the lines removed, and whether lines are left that nobody can read."""
    with opened_for_append(path) as descriptor:
        lines = list(lines_in(all_of(descriptor) + b"\n"))
        gone = {line for line in lines if _is_about(line, _record(line), person, reps)}
        kept = [line for line in lines if line not in gone and line]
        played = {record.passage for record in map(_record, kept) if isinstance(record, Rep)}
        for line in kept:
            record = _record(line)
            if isinstance(record, LoggedPassage) and record.id not in played:
                gone.add(line)
        if gone:
            write_whole(path, (line + b"\n" for line in kept if line not in gone), through_links=False)
    return gone, any(not is_whole(line) for line in kept)


def _is_about(line: bytes, record: Record | None, person: Player, reps: Iterable[str]) -> bool:
    if record is None:
        return any(one.encode() in line for one in person.ids)
    if isinstance(record, Correction):
        return record.rep in reps
    return not isinstance(record, LoggedPassage) and record.player in person.ids
