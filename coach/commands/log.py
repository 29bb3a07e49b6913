"""`coach log`: look at the practice log, correct it, keep it safe, forget a person."""

from __future__ import annotations

import contextlib
import shlex
import sys
from collections.abc import Callable

from coach.commands.common import (
    clock,
    fresh_id,
    parse_date,
    places_of,
    say,
    say_json,
    tell,
    warn,
    write_output,
)
from coach.commands.log_people import forget
from coach.commands.options import Arguments, Options
from coach.folder.library import load_library, student_in
from coach.ground.kinds import MAX_TEXT
from coach.ground.places import user_path
from coach.ground.plain import counted, listed, plain_text
from coach.ground.problem import CoachError, Problem, UsageError
from coach.log.entries import Entry, Rep, iso_time, practice_day
from coach.log.log import Log, Refusal
from coach.log.upkeep import backup_log, check_log
from coach.music.excerpt import Excerpt
from coach.rating.fault import Fault, examples, faults_text, in_words, parse_faults
from coach.report.reps_csv import reps_csv
from coach.session.answers import read_result
from coach.words.names import logged_name

MOST_SHOWN = 20
NAME_COLUMNS = 48
LEAST_TITLE = 8


def configure(options: Options) -> None:
    show = _action(
        options, "show", _show, "list repetitions with their corrections; --date for one practice day"
    )
    show.text("drill DRILL", "only this drill (its id)", nargs="?", default="")
    show.since("from this practice day on")
    show.json()

    correct = _action(
        options, "correct", _correct, "rate a repetition again; the first rating stays in the log"
    )
    correct.text("rep REP", "id of the repetition, or its last letters (`coach log show`)")
    correct.add_argument("result", nargs="+", help=f"clean, {examples()}, unrated, or void (does not count)")
    note = _action(options, "note", _note, "note something about the day, for your report and your teacher")
    note.text("text TEXT", "a sentence or two", nargs="+")
    _action(options, "undo", _undo, "take back the last repetition; it stays in the log but no longer counts")

    export = _action(
        options, "export", _export, "write a CSV table, one row per repetition, for a spreadsheet"
    )
    export.output("file to write (default: -)")
    export.flag("--everybody", "all players of this folder")

    check = _action(options, "check", _check, "say whether anything in the log is missing or damaged")
    check.flag("--accept", "carry on without lines that are gone, and stop reporting them")
    check.json()

    backup = _action(options, "backup", _backup, "copy the log into one file, even during a session")
    backup.add_argument("-o", "--output", metavar="FILE", help="file to make (default: in progress/backups/)")

    players = _action(options, "players", _players, "list who practises from this folder")
    players.json()
    rename = _action(
        options, "rename", _rename, "give the player another name; two players of one name become one"
    )
    rename.add_argument("name", metavar="NAME")

    leave = options.action("forget", forget, "remove a person for good")
    leave.folder()
    leave.text("player PLAYER", "name, or the last letters of the id")
    leave.flag("--yes", "don't ask")


def _action(
    options: Options,
    name: str,
    act: Callable[[Arguments], int],
    summary: str,
) -> Options:
    action = options.action(name, act, summary)
    action.log()
    return action


def run(arguments: Arguments) -> int:
    return int(arguments.act(arguments))


def _open(arguments: Arguments, read_only: bool = False, chosen: bool = True) -> Log:
    """The log, for a player who has practised here, unless nobody is to be `chosen`."""
    now_ms = clock(arguments.date)[0]
    log = Log.open(places_of(arguments).log, None, now_ms=now_ms, read_only=read_only)
    if not read_only and not log.exists:
        raise CoachError("there is no log yet", str(log.folder), guess="begin with `coach`")
    if chosen:
        log.choose_player(arguments.player, now_ms, create=False)
    warn(*log.notices)
    return log


def _must_be_saved(refusal: Refusal | None) -> None:
    """CoachError where a word did not get to the disk."""
    if refusal:
        raise CoachError(str(refusal))


def _show(arguments: Arguments) -> int:
    day = parse_date(arguments.date) if arguments.date else None
    since = arguments.since or day
    if day and arguments.since:
        raise UsageError("--since and --date exclude each other", "log show")
    with _open(arguments, read_only=True) as log:
        pairs = log.counted(since, day, arguments.drill)
        known = {key.partition(":")[0] for key in log.titles()}
        hurts = _hurts(log, arguments.drill)
        rows = [row for row in hurts if str(since or "") <= str(row["day"]) <= str(day or row["day"])]
        for rep, passage in pairs:
            excerpt = Excerpt.parse(rep.excerpt)
            told = {"kind": str(excerpt.kind), "tempo_bpm": rep.tempo_bpm, "goal_bpm": rep.goal_bpm}
            result = "unrated" if rep.faults is None else faults_text(rep.faults) or "clean"
            corrected = any(not word.suggestions for word in log.corrections(rep.id))
            rows.append(_row(rep, excerpt, passage.title, **told, result=result, corrected=corrected))
    rows.sort(key=lambda row: str(row["id"]))
    if arguments.json:
        say_json(rows, indent=1)
        return 0
    names = [_name(str(row["excerpt"]), str(row["title"])) for row in rows]
    widest = max(map(len, names), default=0)
    for row, what in zip(rows, names, strict=True):
        mark = " (corrected)" if row["corrected"] else ""
        at = str(row["at"])
        say(
            f"{str(row['id'])[-8:]}  {at[:10]} {at[11:16]}  {what:<{widest}} {row['tempo_bpm']:>4} bpm  "
            f"{_in_words(str(row['result']))}{mark}"
        )
    if not rows and known:
        say(f"nothing of that is logged here; logged drills: {listed(sorted(known), 8)}", to=sys.stderr)
    elif not rows:
        say("nothing logged here yet", to=sys.stderr)
    return 0


def _name(key: str, title: str) -> str:
    """An excerpt as the screens call it; a long title is cut, never what tells the excerpt from the whole."""
    if not key:
        return ""
    spare = len(logged_name(key, title)) - NAME_COLUMNS
    return logged_name(key, plain_text(title, max(len(plain_text(title)) - max(spare, 0), LEAST_TITLE)))


def _in_words(result: str) -> str:
    """A result as an answers file has it, `choked 2 5 lift; late 3`; what is none of the log's codes as it is."""
    try:
        return in_words(parse_faults(result)) or result
    except ValueError:
        return result


def _hurts(log: Log, drill: str) -> list[dict[str, object]]:
    """The sessions that were stopped because something hurt, as rows beside the repetitions."""
    titles = log.titles()
    rows: list[dict[str, object]] = []
    for entry in log.entries("hurt"):
        key, tempo_bpm, excerpt = "", 0, None
        # An entry may come from a program that wrote other bodies.
        with contextlib.suppress(ValueError, KeyError, TypeError):
            key, tempo_bpm = str(entry.body["excerpt"]), int(entry.body["tempo_bpm"])
            excerpt = Excerpt.parse(key)
        if drill and (excerpt is None or excerpt.drill != drill):
            continue
        told = {"kind": "hurt", "tempo_bpm": tempo_bpm, "goal_bpm": None, "result": "stopped: something hurt"}
        rows.append(_row(entry, excerpt, titles.get(key, ""), **told, corrected=False))
    return rows


def _row(of: Rep | Entry, excerpt: Excerpt | None, title: str, **told: object) -> dict[str, object]:
    """A repetition or an entry as `coach log show` gives it to programs."""
    return {
        "id": of.id,
        "day": of.day.isoformat(),
        "at": iso_time(of.at_ms, of.utc_offset_min),
        "drill": excerpt.drill if excerpt else "",
        "excerpt": excerpt.key if excerpt else "",
        "title": title,
        "layer": excerpt.layer if excerpt else "",
        **told,
    }


def _correct(arguments: Arguments) -> int:
    words = " ".join(arguments.result)
    void = words == "void"
    faults: tuple[Fault, ...] | None = None
    if words not in ("void", "unrated"):
        faults = read_result(words, "RESULT")
    at_ms, _ = clock(arguments.date)
    with _open(arguments) as log:
        rep = _one_rep(log, arguments.rep)
        try:
            events = log.passage(rep.passage).events
        except KeyError:
            lost = Problem("what was played in this repetition is lost; it can't be rated again", "REP")
            raise CoachError(lost) from None
        for fault in faults or ():
            if fault.label > len(events):
                raise CoachError(f"event {fault.label} is outside 1 to {len(events)}", "RESULT")
        _must_be_saved(log.correct(rep, faults, at_ms, void))
    say(f"{rep.id}: {words}; the earlier rating stays in the log")
    return 0


def _one_rep(log: Log, ending: str) -> Rep:
    reps = log.ending_in(ending)
    if len(reps) != 1:
        matches = f"{len(reps)} repetitions end" if reps else "no repetition ends"
        raise CoachError(f"{matches} in {ending!r}", "REP", guess="`coach log show` lists them")
    return next(iter(reps.values()))


def _undo(arguments: Arguments) -> int:
    at_ms, _ = clock(arguments.date)
    with _open(arguments) as log:
        undone = log.undo_last(at_ms)
        if undone is None:
            raise CoachError("there is no repetition to take back")
        rep, refusal = undone
        _must_be_saved(refusal)
        what = _name(rep.excerpt, log.passage_of(rep).title)
    rated = "unrated" if rep.faults is None else _in_words(faults_text(rep.faults)) or "clean"
    say(f"{rep.id}: {what} at {rep.tempo_bpm} bpm, {rated}, no longer counts; it stays in the log")
    return 0


def _export(arguments: Arguments) -> int:
    if arguments.everybody and arguments.player:
        raise UsageError("--everybody and --player exclude each other", "log export")
    with _open(arguments, read_only=True, chosen=not arguments.everybody) as log:
        players = [one.id for one in log.players()] if arguments.everybody else [log.player.id]
        write_output(arguments.output or "-", reps_csv(log, players))
    return 0


def _check(arguments: Arguments) -> int:
    with Log.open(places_of(arguments).log, None, now_ms=clock()[0], read_only=True) as log:
        if arguments.accept:
            log.book.shelf.accept()
            log.book.shelf.keep()
        health = check_log(log)
        exists = log.exists
    if not exists:
        raise CoachError("there is no log here", str(places_of(arguments).log))
    warn(*health.problems[:MOST_SHOWN])
    if len(health.problems) > MOST_SHOWN:
        warn(f"and {len(health.problems) - MOST_SHOWN:,} more")
    whole = not any(problem.severity == "error" for problem in health.problems)
    if arguments.json:
        problems = [str(problem) for problem in health.problems]
        say_json({"whole": whole, "records": health.counts, "problems": problems})
    elif whole:
        reps = counted(health.counts.get("rep", 0), "repetition")
        say(f"the log is whole: {reps} in {counted(len(log.book.shelf.views), 'file')}")
    return 0 if whole else 1


def _backup(arguments: Arguments) -> int:
    at_ms, _ = clock(arguments.date)
    target = user_path(arguments.output) if arguments.output else None
    with Log.open(places_of(arguments).log, None, now_ms=at_ms, read_only=True) as log:
        say(str(backup_log(log, at_ms, target)))
    return 0


def _players(arguments: Arguments) -> int:
    with Log.open(places_of(arguments).log, None, now_ms=clock()[0], read_only=True) as log:
        players = [
            (one.name, one.id, len({rep.day_number for rep in log.reps(player=one.id)}))
            for one in log.players()
        ]
    facts = [{"name": name, "id": each, "days": days} for name, each, days in players]
    lines = (f"{name}  ({each[-6:]}, {counted(days, 'day')})" for name, each, days in players)
    tell(arguments.json, facts, lines, 1)
    return 0


def _rename(arguments: Arguments) -> int:
    at_ms, _ = clock(arguments.date)
    with _open(arguments) as log:
        before = log.player
        # By the letters of an id that id alone: so two who were made one by a name can be parted again.
        letters = arguments.player.upper()
        ids = [one for one in before.ids if letters and one.endswith(letters)] or before.ids
        _must_be_saved(log.rename(ids, arguments.name, at_ms))
        now = log.book.person(ids[0])
    say(f"{before.name} is now {now.name}")
    if len(now.ids) > len(ids):
        say(
            f"{now.name} was known here already: their results are one person's from now on "
            f"(`coach log rename {shlex.quote(before.name)} --player {ids[0][-6:]}` parts them again)"
        )
    return 0


def _note(arguments: Arguments) -> int:
    text = plain_text(" ".join(arguments.text))
    if not 1 <= len(text) <= MAX_TEXT:
        raise UsageError(f"a note has 1 to {MAX_TEXT:,} letters; this one has {len(text):,}", "TEXT")
    at_ms, offset_min = clock(arguments.date)
    places = places_of(arguments)
    with Log.open(places.log, None, now_ms=at_ms) as log:
        # A note may be the first word of a log, which is then of the student whom the drills name.
        name = arguments.player or ("" if log.exists else student_in(load_library(places).drills))
        log.choose_player(name, at_ms)
        warn(*log.notices)
        player = log.player
        _must_be_saved(log.send(Entry(fresh_id(at_ms), player.id, at_ms, offset_min, "note", {"text": text})))
    say(
        f"noted for {player.name} on {practice_day(at_ms, offset_min)}; it is in `coach report` and in your reply"
    )
    return 0
