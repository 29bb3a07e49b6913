"""Words for the log on their way to the disk: what it refuses waits, in order, and nothing of it is forgotten.

A full disk, a locked file, a drive that is gone: the session goes on, and each new word tries the waiting ones first. A
log that proves damaged is mended on the spot. What still waits at the end is written as an exported log somewhere else,
which `coach log merge` takes in.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from coach.ground.files import free_path, write_whole
from coach.ground.plain import counted
from coach.ground.problem import CoachError
from coach.log.entries import Correction, Entry, Rep
from coach.music.excerpt import LoggedPassage
from coach.store.log import Log, stamp
from coach.store.rows import correction_values, entry_values, rep_values
from coach.store.schema import DamagedLogError, connect, prepare, told, transaction

Word = tuple[Rep, LoggedPassage] | Correction | Entry


class Outbox:
    """The way of one desk's words into its log."""

    def __init__(self, log: Log) -> None:
        self.log = log
        self.waiting: list[Word] = []
        self.sent: list[Word] = []
        """Every word of this run, in order."""

    def send(self, word: Word, now_ms: int) -> str:
        """Write a word after all that wait; what is to be told, empty where all is well."""
        self.sent.append(word)
        self.waiting.append(word)
        return self.retry(now_ms)

    def retry(self, now_ms: int) -> str:
        """Write what waits, as far as the disk lets it; what is to be told, empty where all is well."""
        said = ""
        while self.waiting:
            try:
                self._write(self.waiting[0])
            except DamagedLogError as error:
                if said:
                    return f"{self._not_saved()}: {error}"
                try:
                    said = self.log.mend(now_ms)
                except CoachError as second:
                    return f"{self._not_saved()}: {second}"
                continue
            except CoachError as error:
                return f"{self._not_saved()}: {error}"
            self.waiting.pop(0)
        return said

    def send_all(self, words: Sequence[Word]) -> None:
        """Write all of these or none; CoachError where the disk refuses one."""
        with told(self.log.path), transaction(self.log.connection):
            for word in words:
                self._write(word)

    def rescue(self, now_ms: int, program: str, folders: Sequence[Path] = ()) -> list[str]:
        """What still waits, put into a file; lines to tell. Where no folder takes it, the lines hold it themselves.

        `program` is the version that the file names. `folders` are tried in order: without any the log's own, the home
        folder, and the system's for passing files.
        """
        if not self.waiting:
            return []
        import shlex
        import tempfile

        waiting = counted(len(self.waiting), "result")
        text = self._exported(now_ms, program)
        folders = folders or [
            *([self.log.path.parent] if self.log.path else []),
            Path(os.path.expanduser("~")),
            Path(tempfile.gettempdir()),
        ]
        for folder in folders:
            path = free_path(folder / f"log.unsaved.{stamp(now_ms)}.jsonl")
            try:
                write_whole(path, [text.encode()])
            except OSError:
                continue
            return [
                f"NOT SAVED in the practice log: {waiting}. They are kept in {path}",
                f"take them in with: coach log merge {shlex.quote(str(path))}",
            ]
        return [
            f"NOT SAVED in the practice log, and no folder takes a file: {waiting}. Save the lines below as a file",
            "and take it in with `coach log merge FILE`:",
            *text.splitlines(),
        ]

    def _not_saved(self) -> str:
        return f"NOT SAVED yet ({len(self.waiting)} waiting)"

    def _write(self, word: Word) -> None:
        match word:
            case Correction():
                self.log.correct(word)
            case Entry():
                self.log.add_entry(word)
            case rep, passage:
                self.log.save_rep(rep, passage)

    def _exported(self, now_ms: int, program: str) -> str:
        """What waits as the text of an exported log."""
        from coach.store.exchange import export_lines

        player = self.log.player
        with Log(connect(None), None) as memory:
            prepare(memory.connection, None, "")
            memory.insert("players", (player.id, player.name, player.at_ms))
            for word in self.waiting:
                match word:
                    case Correction():
                        memory.insert("corrections", correction_values(word, player.id))
                    case Entry():
                        memory.insert("entries", entry_values(word))
                    case rep, passage:
                        memory.add_passage(passage)
                        memory.insert("reps", rep_values(rep))
            return "".join(export_lines(memory, [player.id], now_ms, program))
