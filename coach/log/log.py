"""The practice log of one folder, opened for one player: what was practised, and what follows from it.

Conventions: nothing that was written is ever changed; of a repetition's corrections the latest by (time, id) decides,
and a void one takes it out. Repetitions are in order of (practice day, id), each id once, whatever file its line stands
in. Times are UTC in ms beside the local offset in minutes; days are practice days (04:00 to 04:00).

Where to begin: `Log.open`, `send` to write, `reps` to read, `state` for what follows from them (`coach.log.fold`).
"""

from __future__ import annotations

import os
import shlex
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Self, TypeVar

from coach.ground.files import free_path, write_whole
from coach.ground.frozen import frozen
from coach.ground.plain import counted, same_name
from coach.ground.problem import CoachError, Problem, UsageError
from coach.log.book import Book, Pair, Word, lines_of, record_in
from coach.log.cache import States
from coach.log.disk import has_locks
from coach.log.entries import Correction, Entry, Named, Rep, Suggestion, new_id, practice_day
from coach.log.fold import Fold
from coach.log.lines import line_of
from coach.log.machine import machine_name
from coach.log.pen import Pen
from coach.log.people import DEFAULT_NAME, Player, checked_name, chosen_player
from coach.music.excerpt import LoggedPassage
from coach.rating.fault import Fault

State = TypeVar("State")
_MOST_NOTICES = 5


@frozen
class Refusal:
    """The disk refused: so many words wait for it, or none, where what this run wrote is gone and can't be restored."""

    waiting: int
    problems: tuple[Problem, ...]

    def __str__(self) -> str:
        why = "\n".join(map(str, self.problems))
        return f"NOT SAVED yet ({self.waiting} waiting): {why}" if self.waiting else why


class Log:
    """An open log; use as a context manager."""

    def __init__(self, folder: Path, pen: Pen | None, cache: Path | None = None) -> None:
        """`cache` is the folder of what may be deleted; None for `cache` beside the log's."""
        cache = cache or folder.parent / "cache"
        self.folder = folder
        self.book = Book(folder, cache)
        self.sent: list[Word] = []
        """Every word of this run, in order."""
        self._pen = pen
        self._on_trial = False
        self.player_or_none: Player | None = None
        self._states = States(self.book, cache)
        self._unnamed: Named | None = None
        """The name of a new player, until the first word is written."""
        self.book.refresh()

    @classmethod
    def open(
        cls,
        folder: Path,
        player_name: str | None = "",
        *,
        now_ms: int,
        read_only: bool = False,
        machine: Callable[[], str] = machine_name,
    ) -> Log:
        """Open the log in a folder for a player; nothing is made before the first word is written.

        Without a name: the only player there is, or a new one called `player`; UsageError where there are several.
        A new name is a new player; None chooses nobody. With `read_only` the player may be missing (`player_or_none`)
        and nothing is written but caches. CoachError where the folder can't be read.
        """
        log = cls(folder, None if read_only else Pen(folder, machine))
        if player_name is not None:
            log.choose_player(player_name, now_ms, create=not read_only)
        return log

    def trial(self) -> Log:
        """The same log for the same player, whose words are kept in memory only (`sent`)."""
        log = Log(self.folder, None)
        log._on_trial = True
        log.player_or_none, log._unnamed = self.player_or_none, self._unnamed
        return log

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def close(self) -> None:
        """Look once more after what this run wrote, and keep what was seen for the next."""
        if self._pen is not None and self.sent:
            self.retry()
            with suppress(CoachError):
                self.book.refresh()
        if self.exists:
            self.book.shelf.keep()

    @property
    def exists(self) -> bool:
        """Whether anything was ever logged here, as far as is known."""
        shelf = self.book.shelf
        return bool(shelf.views or shelf.gone or shelf.refused)

    @property
    def read_only(self) -> bool:
        return self._pen is None

    # Who

    @property
    def player(self) -> Player:
        """The player whose log this is; CoachError where a read-only log has none yet."""
        if self.player_or_none is None:
            raise CoachError("nobody has practised here yet", str(self.folder), guess="begin with `coach`")
        return self.player_or_none

    def players(self) -> list[Player]:
        """Everybody in this folder, by name."""
        return self.book.players()

    def choose_player(self, name: str, now_ms: int, create: bool = True) -> None:
        """Turn to a player by name or by the last letters of an id; see `open`."""
        known = self.players()
        self.player_or_none, self._unnamed = chosen_player(known, name), None
        if self.player_or_none is None and create:
            player_id = new_id(now_ms, os.urandom(10))
            self._unnamed = Named(player_id, player_id, now_ms, checked_name(name or DEFAULT_NAME))
            self.player_or_none = Player(player_id, self._unnamed.name, (player_id,))
        elif self.player_or_none is None and name and known:
            raise UsageError(
                f"nobody called {name!r} has practised here",
                "--player",
                guess="known: " + ", ".join(player.name for player in known),
            )

    def name_meant(self, name: str) -> str:
        """The name of the player whom `choose_player` would turn to or create; UsageError where several could be."""
        chosen = chosen_player(self.players(), name)
        return chosen.name if chosen else name or DEFAULT_NAME

    def takes_name(self, name: str) -> bool:
        """Whether the one who practises here has no name of their own yet, and nobody else has this one."""
        taken = any(same_name(one.name, name) for one in self.players())
        return bool(name) and not taken and self.name_meant("") == DEFAULT_NAME

    def refresh(self) -> None:
        """Take in what other machines and programs have added since, and whatever else has changed."""
        if not self.book.refresh():
            self._states = States(self.book, self._states.folder)
        if self.player_or_none is not None:
            self.player_or_none = (
                self.book.person(self.player_or_none.id) if self._unnamed is None else self.player_or_none
            )

    # Writing

    @property
    def waiting(self) -> list[Word]:
        """What the disk has refused so far, in order; it counts in this run and is tried again with each new word."""
        return [] if self._on_trial else self.book.waiting

    def send(self, *words: Word) -> Refusal | None:
        """Write words after all that wait, by one append; None where all is on the disk when the call returns.

        ValueError where a repetition comes with another passage than its own.
        """
        if self._pen is None and not self._on_trial:
            raise ValueError("this log is open only for reading")
        for word in words:
            _check_passage(word)
        if self._unnamed is not None:
            words, self._unnamed = (self._unnamed, *words), None
        self.sent += words
        self.book.waiting.extend(words)
        for word in words:
            self.book.take(word)
        return self.retry()

    def send_all(self, words: Sequence[Word]) -> None:
        """Write all of these by one append, or none; CoachError where the disk refuses them."""
        waiting, sent, unnamed = len(self.waiting), len(self.sent), self._unnamed
        if refusal := self.send(*words):
            del self.book.waiting[waiting:], self.sent[sent:]
            self._unnamed = unnamed
            raise CoachError(str(refusal))

    def retry(self) -> Refusal | None:
        """Write what waits, and again what is gone of this run's; None where all is well."""
        if self._pen is None:
            return None
        year = None
        try:
            if words := self.book.waiting:
                # All in one file: of two appends a fault may leave one alone.
                year = practice_day(_at_ms(words[-1]), 0).year
                needs = dict.fromkeys(line for word in words for line in self.book.needs_of(word))
                written = self._pen.write(year, [line_of(record_in(word)) for word in words], list(needs))
                self.book.shelf.added(written)
                words.clear()
            for written in self._pen.settle(besides=year):
                self.book.shelf.added(written)
        except CoachError as error:
            return Refusal(len(self.waiting), error.problems)
        return None

    def undo_last(self, now_ms: int) -> tuple[Rep, Refusal | None] | None:
        """Let the player's latest repetition that counts count no more; None where there is none.

        That repetition and what `send` returns. It stays in the log; a later correction rates it anew.
        """
        reps = self.reps()
        if not reps:
            return None
        return reps[-1], self.correct(reps[-1], None, now_ms, void=True)

    def correct(
        self, rep: Rep, faults: Sequence[Fault] | None, now_ms: int, void: bool = False
    ) -> Refusal | None:
        """Rate a repetition anew, or let it count no more, as `send` does."""
        rated = None if faults is None else tuple(faults)
        return self.send(replace(self._later_word(rep, now_ms), faults=rated, void=void))

    def add_suggestions(self, rep: Rep, suggestions: Sequence[Suggestion], now_ms: int) -> Refusal | None:
        """Log what was suggested of a repetition after it was rated, as `send` does; its results stay as they are.

        Without any suggestion nothing is logged.
        """
        word = replace(self._later_word(rep, now_ms), suggestions=tuple(suggestions))
        return self.send(*([word] if suggestions else []))

    def _later_word(self, rep: Rep, now_ms: int) -> Correction:
        # Later than anything said before, even where the clock was set back.
        at_ms = max([now_ms, rep.at_ms, *(word.at_ms + 1 for word in self.corrections(rep.id))])
        return Correction(new_id(at_ms, os.urandom(10)), rep.id, at_ms, None)

    def rename(self, ids: Sequence[str], name: str, now_ms: int) -> Refusal | None:
        """Give these ids of players another name from then on, as `send` does."""
        plain = checked_name(name, "NAME")
        words = []
        for player_id in ids:
            latest = self.book.name_of(player_id)
            at_ms = max(now_ms, latest.at_ms + 1 if latest else 0)
            words.append(Named(new_id(at_ms, os.urandom(10)), player_id, at_ms, plain))
        refusal = self.send(*words)
        self.refresh()
        return refusal

    def last_words(self, folders: Sequence[Path] = ()) -> list[str]:
        """Try once more to write what waits, and put into a file what still does; lines to tell.

        `folders` are tried in order: without any the home folder and the system's for passing files.
        Where none takes a file the lines hold it themselves.
        """
        refusal = self.retry()
        if not self.waiting:
            return [str(refusal)] if refusal else []
        waiting = counted(sum(isinstance(word, tuple) for word in self.waiting), "result")
        lines = lines_of(self.book, self.waiting)
        stamp = datetime.fromtimestamp(max(map(_at_ms, self.waiting)) / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
        for folder in folders or (Path(os.path.expanduser("~")), Path(tempfile.gettempdir())):
            path = free_path(folder / f"unsaved-{stamp}.jsonl")
            with suppress(OSError):
                write_whole(path, lines)
                return [
                    f"NOT SAVED in the practice log: {waiting}. They are saved in {path}",
                    f"when there is room: cp {shlex.quote(str(path))} {shlex.quote(str(self.folder))}",
                ]
        return [
            f"NOT SAVED in the practice log, and nowhere else either: {waiting}. Save the lines below as a file",
            f"with a name ending in .jsonl, and put it in {self.folder}:",
            *(line.decode().rstrip("\n") for line in lines),
        ]

    # Reading

    def reps(self, since: date | None = None, until: date | None = None, player: str = "") -> list[Rep]:
        """The player's repetitions from `since` to `until` (both included) as they count, in order of (day, id).

        `player` is a player's id (default: the chosen player).
        """
        return [rep for rep, _ in self.counted(since, until, player=player)]

    def counted(
        self, since: date | None = None, until: date | None = None, drill: str = "", player: str = ""
    ) -> list[Pair]:
        """The same with what each played, which has no events where its line was lost; `drill` is a drill's id."""
        return self.book.counting(self.book.originals(self._person(player), since, until, drill))

    def original(self, rep_id: str) -> Rep | None:
        """One repetition as it was first rated; None where the player has none of this id."""
        return self.ending_in(rep_id).get(rep_id)

    def ending_in(self, letters: str) -> dict[str, Rep]:
        """The player's repetitions whose ids end in these letters, by id, as they were first rated."""
        return self.book.originals(self.player, ending=letters)

    def latest_ms(self, day: date) -> int:
        """When the player's last repetition of a practice day was logged, in UTC ms; 0 where there is none."""
        return max((rep.at_ms for rep in self.book.originals(self.player, day, day).values()), default=0)

    def corrections(self, rep_id: str) -> list[Correction]:
        """Every later word on a repetition, the one that counts last."""
        return self.book.corrections(rep_id)

    def passage(self, passage_id: str) -> LoggedPassage:
        """What a repetition played; KeyError where it is unknown."""
        return self.book.passage(passage_id)

    def passage_of(self, rep: Rep) -> LoggedPassage:
        """What a repetition played; without events where its line was lost."""
        return self.book.passage_of(rep)

    def passages(self) -> Iterator[LoggedPassage]:
        """Everything that was ever played here, in the order of the files."""
        return self.book.passages()

    def titles(self) -> dict[str, str]:
        """The title of every excerpt that was ever logged, by excerpt key; of several the latest logged."""
        return {passage.excerpt: passage.title for passage in self.passages()}

    def entries(self, kind: str = "", player: str = "") -> list[Entry]:
        """The player's other entries, all or of one kind, in order of (time, id); none where nobody has practised."""
        person = self.book.person(player) if player else self.player_or_none
        return self.book.entries_of(person, kind) if person else []

    def state(self, fold: Fold[State], day: date, player: str = "") -> State:
        """What a fold makes of the player's repetitions up to a practice day; those of later days wait for theirs."""
        self.refresh()
        return self._states.state(fold, self._person(player), day)

    def _person(self, player: str) -> Player:
        return self.book.person(player) if player else self.player

    @property
    def notices(self) -> tuple[str, ...]:
        """What the player should know: lines that don't count, what is gone, what is dated in the future."""
        problems = [*self.book.shelf.gone_problems(), *self.book.shelf.problems]
        lines = list(map(str, problems[:_MOST_NOTICES]))
        if len(problems) > _MOST_NOTICES:
            lines.append(f"and {len(problems) - _MOST_NOTICES:,} more: `coach log check` lists them all")
        if ahead := self._states.ahead:
            first = min(ahead.values(), key=lambda rep: (rep.day_number, rep.id))
            lines.append(
                f"{self.book.place_of(first.id)}: {counted(len(ahead), 'repetition')} dated after today, the first on "
                f"{first.day}: saved, but left out of the plan until then (is this machine's clock right?)"
            )
        if not (self.read_only or has_locks(self.folder)):
            lines.append(f"{self.folder}: its file system can't lock files: practise in one window at a time")
        return tuple(lines)


def _at_ms(word: Word) -> int:
    return word[0].at_ms if isinstance(word, tuple) else word.at_ms


def _check_passage(word: Word) -> None:
    if isinstance(word, tuple) and (word[1].id, word[1].excerpt) != (word[0].passage, word[0].excerpt):
        raise ValueError(f"rep {word[0].id} is of passage {word[0].passage}, not of {word[1].id}")
