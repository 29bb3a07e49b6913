"""`coach log`: look at the practice log, correct it, carry it between machines, keep it safe, forget a person."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from coach.commands.common import (
    add_folder,
    add_json,
    add_log_options,
    add_output,
    clock,
    fresh_id,
    parse_date,
    places_of,
    say,
    say_json,
    write_output,
)
from coach.ground.places import user_path
from coach.ground.plain import counted
from coach.ground.problem import CoachError, Problem, UsageError
from coach.log.entries import practice_day
from coach.rating.fault import examples

if TYPE_CHECKING:
    from coach.log.entries import Rep
    from coach.store.log import Log

MOST_SHOWN = 20
NAME_COLUMNS = 48
LEAST_TITLE = 8


def configure(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    show = _action(
        actions, "show", "list repetitions as they count now; with --date those of one practice day"
    )
    show.add_argument("drill", nargs="?", default="", metavar="DRILL", help="only this drill (its id)")
    show.add_argument("--since", metavar="YYYY-MM-DD", help="from this practice day on")
    add_json(show)

    correct = _action(actions, "correct", "rate a repetition anew; what was first said is kept")
    correct.add_argument(
        "rep", metavar="REP", help="id of the repetition, or its last letters (`coach log show`)"
    )
    correct.add_argument(
        "result", nargs="+", help=f"clean, {examples()}, unrated, or void: it does not count"
    )
    note = _action(actions, "note", "keep your own words of the day, for your report and your teacher's file")
    note.add_argument("text", nargs="+", metavar="TEXT", help="a sentence or two")
    _action(actions, "undo", "let the last repetition count no more; it is kept")

    export = _action(actions, "export", "write the log as JSON Lines, or as CSV for a spreadsheet")
    add_output(export, "file to write (default: -)")
    export.add_argument("--everybody", action="store_true", help="all players of this folder")
    export.add_argument("--csv", action="store_true", help="one row a repetition, for a spreadsheet")

    merge = _action(actions, "merge", "take in exported logs; doing it again changes nothing")
    merge.add_argument("files", nargs="+", metavar="FILE", help="exported logs; - is standard input")
    add_json(merge)

    check = _action(actions, "check", "look whether the log is whole")
    check.add_argument(
        "--mend", action="store_true", help="save the good part of a damaged log, keep the damaged one"
    )
    add_json(check)

    backup = _action(actions, "backup", "copy the log, safely even during a session")
    backup.add_argument("-o", "--output", metavar="FILE", help="file to make (default: beside the log)")

    _action(actions, "rebuild", "compute memories, ladders and days anew from the repetitions")
    players = _action(actions, "players", "who practises from this folder")
    add_json(players)
    rename = _action(actions, "rename", "give the player another name")
    rename.add_argument("name", metavar="NAME")

    forget = actions.add_parser(
        "forget", help="remove a person for good", description="Remove a person for good."
    )
    add_folder(forget)
    forget.add_argument("player", metavar="PLAYER", help="name, or the last letters of the id")
    forget.add_argument("--yes", action="store_true", help="don't ask")


def _action(
    actions: argparse._SubParsersAction[argparse.ArgumentParser], name: str, summary: str
) -> argparse.ArgumentParser:
    parser = actions.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.")
    add_log_options(parser)
    return parser


def run(arguments: argparse.Namespace) -> int:
    status: int = globals()[f"_{arguments.action}"](arguments)
    return status


def _open(arguments: argparse.Namespace, read_only: bool = False) -> Log:
    from coach.store.log import Log

    path = places_of(arguments).log
    if not read_only and not path.exists():
        raise CoachError(Problem("there is no log yet", str(path), guess="begin with `coach`"))
    log = Log.open(path, arguments.player, now_ms=clock(arguments.date)[0], read_only=read_only)
    for notice in log.notices:
        say(f"coach: {notice}", to=sys.stderr)
    return log


def _show(arguments: argparse.Namespace) -> int:
    from coach.music.excerpt import Excerpt
    from coach.rating.fault import faults_text
    from coach.store.records import iso_time

    day = parse_date(arguments.date) if arguments.date else None
    since = parse_date(arguments.since, "--since") if arguments.since else day
    if day and arguments.since:
        raise UsageError(Problem("--since and --date exclude each other", "coach log show"))
    with _open(arguments, read_only=True) as log:
        reps = log.reps(since=since, until=day, drill=arguments.drill)
        hurts = _hurts(log, arguments.drill)
        rows = [row for row in hurts if str(since or "") <= str(row["day"]) <= str(day or row["day"])]
        for rep in reps:
            excerpt = Excerpt.parse(rep.excerpt)
            rows.append(
                {
                    "id": rep.id,
                    "day": rep.day.isoformat(),
                    "at": iso_time(rep.at_ms, rep.utc_offset_min),
                    "drill": excerpt.drill,
                    "excerpt": rep.excerpt,
                    "title": log.passage(rep.passage).title,
                    "layer": excerpt.layer,
                    "kind": str(excerpt.kind),
                    "tempo_bpm": rep.tempo_bpm,
                    "goal_bpm": rep.goal_bpm,
                    "result": "unrated" if rep.faults is None else faults_text(rep.faults) or "clean",
                    "corrected": bool(log.corrections(rep.id)),
                }
            )
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
    if not rows:
        say("nothing logged here yet", to=sys.stderr)
    return 0


def _name(key: str, title: str) -> str:
    """An excerpt as the screens call it; a long title is cut, never what tells the excerpt from the whole."""
    from coach.ground.plain import plain_text
    from coach.words.names import logged_name

    if not key:
        return ""
    spare = len(logged_name(key, title)) - NAME_COLUMNS
    return logged_name(key, plain_text(title, max(len(plain_text(title)) - max(spare, 0), LEAST_TITLE)))


def _in_words(result: str) -> str:
    """A result as an answers file has it, `choked 2 5 lift; late 3`; what is none of the log's codes as it is."""
    from coach.rating.fault import in_words, parse_faults

    try:
        return in_words(parse_faults(result)) or result
    except ValueError:
        return result


def _hurts(log: Log, drill: str) -> list[dict[str, object]]:
    """The sessions that were stopped because something hurt, as rows beside the repetitions."""
    from coach.music.excerpt import Excerpt
    from coach.store.records import iso_time

    titles = log.titles()
    rows: list[dict[str, object]] = []
    for entry in log.entries("hurt"):
        key, tempo_bpm, excerpt = "", 0, None
        # A merged log may come from a program that wrote other bodies.
        with contextlib.suppress(ValueError, KeyError, TypeError):
            body = json.loads(entry.body)
            key, tempo_bpm = str(body["excerpt"]), int(body["tempo_bpm"])
            excerpt = Excerpt.parse(key)
        if drill and (excerpt is None or excerpt.drill != drill):
            continue
        rows.append(
            {
                "id": entry.id,
                "day": practice_day(entry.at_ms, entry.utc_offset_min).isoformat(),
                "at": iso_time(entry.at_ms, entry.utc_offset_min),
                "drill": excerpt.drill if excerpt else "",
                "excerpt": key if excerpt else "",
                "title": titles.get(key, ""),
                "layer": excerpt.layer if excerpt else "",
                "kind": "hurt",
                "tempo_bpm": tempo_bpm,
                "goal_bpm": None,
                "result": "stopped: something hurt",
                "corrected": False,
            }
        )
    return rows


def _correct(arguments: argparse.Namespace) -> int:
    from coach.log.entries import Correction
    from coach.rating.fault import Fault
    from coach.session.answers import RepLine, read_answers

    words = " ".join(arguments.result)
    void = words == "void"
    faults: tuple[Fault, ...] | None = None
    if words not in ("void", "unrated"):
        match read_answers(words, "RESULT"):
            case [RepLine(_, _, faults, None)]:
                pass
            case _:
                raise UsageError(
                    Problem(f"{words!r} is no result", "RESULT", guess="as in: choked 2 5; late 3")
                )
    at_ms, _ = clock(arguments.date)
    with _open(arguments) as log:
        rep = _one_rep(log, arguments.rep)
        events = log.passage(rep.passage).events
        for fault in faults or ():
            if fault.label > len(events):
                raise CoachError(Problem(f"event {fault.label} is outside 1 to {len(events)}", "RESULT"))
        log.hold(at_ms)
        # Later than anything said before, even where the clock was set back.
        at_ms = max([at_ms, rep.at_ms, *(word.at_ms + 1 for word in log.corrections(rep.id))])
        log.correct(Correction(fresh_id(at_ms), rep.id, at_ms, faults, void))
    say(f"{rep.id}: {words}; what was said before is kept")
    return 0


def _one_rep(log: Log, ending: str) -> Rep:
    rows = log.connection.execute(
        "SELECT id FROM reps WHERE player = ? AND substr(id, -length(?)) = ?",
        (log.player.id, ending, ending.upper()),
    ).fetchall()
    if len(rows) != 1:
        matches = f"{len(rows)} repetitions end" if rows else "no repetition ends"
        raise CoachError(Problem(f"{matches} in {ending!r}", "REP", guess="`coach log show` lists them"))
    rep = log.original(rows[0][0])
    if rep is None:
        raise CoachError(Problem("what this repetition played was lost; it can't be rated anew", "REP"))
    return rep


def _undo(arguments: argparse.Namespace) -> int:
    at_ms, _ = clock(arguments.date)
    with _open(arguments) as log:
        log.hold(at_ms)
        rep = log.undo_last(at_ms)
        if rep is None:
            raise CoachError("there is no repetition to take back")
        title = log.passage(rep.passage).title
    say(f"{rep.id}: {title} at {rep.tempo_bpm} bpm counts no more; it is kept in the log")
    return 0


def _export(arguments: argparse.Namespace) -> int:
    from coach import __version__
    from coach.store.exchange import export_lines

    at_ms, _ = clock(arguments.date)
    if arguments.everybody and arguments.player:
        raise UsageError(Problem("--everybody and --player exclude each other", "coach log export"))
    with _open_for_export(arguments) as log:
        players = [one.id for one in log.players()] if arguments.everybody else [log.player.id]
        if arguments.csv:
            from coach.report.reps_csv import reps_csv

            content: str | Iterable[str] = reps_csv(log, players)
        else:
            content = export_lines(log, players, at_ms, __version__)
        write_output(arguments.output or "-", content)
    return 0


def _open_for_export(arguments: argparse.Namespace) -> Log:
    from coach.store.log import Log

    if not arguments.everybody:
        return _open(arguments, read_only=True)
    return Log.open(places_of(arguments).log, None, now_ms=clock(arguments.date)[0], read_only=True)


def _merge(arguments: argparse.Namespace) -> int:
    from coach.commands.log_people import merged_words, reps_by_player
    from coach.store.exchange import merge_lines
    from coach.store.log import Log

    at_ms, _ = clock(arguments.date)
    results = {}
    with Log.open(places_of(arguments).log, None, now_ms=at_ms) as log:
        log.hold_all(at_ms)
        before = reps_by_player(log)
        for name in arguments.files:
            results[name] = merge_lines(log, _lines_of(name), name)
        arrivals = merged_words(log, before)
    problems = [problem for result in results.values() for problem in result.problems]
    for problem in problems[:MOST_SHOWN]:
        say(f"coach: {problem}", to=sys.stderr)
    not_shown = max(0, len(problems) - MOST_SHOWN) + sum(result.more for result in results.values())
    if not_shown:
        say(f"coach: and {not_shown:,} more", to=sys.stderr)
    if arguments.json:
        summary = {
            name: {
                "added": result.added,
                "known": result.known,
                "problems": [str(problem) for problem in result.problems],
            }
            for name, result in results.items()
        }
        say_json(summary, indent=1)
    else:
        for name, result in results.items():
            say(
                f"{name}: {counted(result.added['reps'], 'repetition')} new, "
                f"{counted(sum(result.added.values()), 'entry', 'entries')} in all, "
                f"{result.known} known already"
            )
    for line in arrivals:
        say(line, to=sys.stderr)
    return 1 if problems else 0


def _lines_of(name: str) -> Iterator[bytes]:
    from coach.store.exchange import LONGEST_LINE

    if name == "-":
        yield from iter(lambda: sys.stdin.buffer.readline(LONGEST_LINE + 1), b"")
        return
    path = user_path(name)
    try:
        if os.path.isdir(path):
            raise CoachError(Problem("is a folder; an exported log was expected", name))
        with path.open("rb") as file:
            yield from iter(lambda: file.readline(LONGEST_LINE + 1), b"")
    except OSError as error:
        raise CoachError(
            Problem(f"can't be read: {(error.strerror or str(error)).lower()}", name, guess=_there(path))
        ) from error


def _there(path: Path) -> str:
    return "" if os.path.exists(path) else "is the name right?"


def _check(arguments: argparse.Namespace) -> int:
    from coach.store.log import Log
    from coach.store.schema import DamagedLogError
    from coach.store.upkeep import check_log

    path = places_of(arguments).log
    at_ms, _ = clock(arguments.date)
    saved = None
    try:
        with Log.open(path, None, now_ms=at_ms, read_only=True) as log:
            health = check_log(log)
        broken = any("checksum" in problem.message for problem in health.problems)
        if not broken or not arguments.mend:
            return _tell_health(arguments, health.rows, health.problems)
    except DamagedLogError as error:
        if not arguments.mend:
            return _tell_health(arguments, {}, error.problems)
    from coach.store.salvage import mend_log

    saved = mend_log(path, at_ms)
    say(saved.sentence, to=sys.stderr)
    with Log.open(path, None, now_ms=at_ms) as log:
        health = check_log(log)
    return _tell_health(arguments, health.rows, health.problems)


def _tell_health(arguments: argparse.Namespace, rows: dict[str, int], problems: Iterable[Problem]) -> int:
    problems = tuple(problems)
    for problem in problems[:MOST_SHOWN]:
        say(f"coach: {problem}", to=sys.stderr)
    whole = not any(problem.severity == "error" for problem in problems)
    if arguments.json:
        say_json({"whole": whole, "rows": rows, "problems": [str(problem) for problem in problems]})
    elif whole:
        say(
            f"the log is whole: {counted(rows.get('reps', 0), 'repetition')}, "
            f"{counted(rows.get('players', 0), 'player')}"
        )
    return 0 if whole else 1


def _backup(arguments: argparse.Namespace) -> int:
    from coach.store.log import Log
    from coach.store.upkeep import backup_log

    at_ms, _ = clock(arguments.date)
    target = user_path(arguments.output) if arguments.output else None
    with Log.open(places_of(arguments).log, None, now_ms=at_ms, read_only=True) as log:
        say(str(backup_log(log, at_ms, target)))
    return 0


def _rebuild(arguments: argparse.Namespace) -> int:
    from coach.store.upkeep import derived_text

    with _open(arguments) as log:
        before = derived_text(log)
        log.rebuild()
        same = derived_text(log) == before
    say("computed anew; " + ("nothing differed" if same else "something differed and is mended"))
    return 0


def _players(arguments: argparse.Namespace) -> int:
    from coach.store.log import Log

    with Log.open(places_of(arguments).log, None, now_ms=clock()[0], read_only=True) as log:
        rows = [
            {"name": player.name, "id": player.id, "days": len(log.days(player=player.id))}
            for player in log.players()
        ]
    if arguments.json:
        say_json(rows, indent=1)
    else:
        for row in rows:
            say(f"{row['name']}  ({str(row['id'])[-6:]}, {counted(int(str(row['days'])), 'day')})")
    return 0


def _rename(arguments: argparse.Namespace) -> int:
    at_ms, _ = clock(arguments.date)
    with _open(arguments) as log:
        before = log.player.name
        log.rename_player(arguments.name, at_ms)
        say(f"{before} is now {log.player.name}")
    return 0


def _forget(arguments: argparse.Namespace) -> int:
    from coach.commands.log_people import forget

    return forget(arguments)


def _note(arguments: argparse.Namespace) -> int:
    from coach.ground.plain import plain_text
    from coach.log.entries import Entry
    from coach.score.limits import MAX_TEXT

    text = plain_text(" ".join(arguments.text))
    if not 1 <= len(text) <= MAX_TEXT:
        raise UsageError(Problem(f"a note has 1 to {MAX_TEXT:,} letters; this one has {len(text):,}", "TEXT"))
    at_ms, offset_min = clock(arguments.date)
    body = json.dumps({"text": text}, ensure_ascii=False)
    with _open(arguments) as log:
        log.add_entry(Entry(fresh_id(at_ms), log.player.id, at_ms, offset_min, "note", body))
        name = log.player.name
    say(
        f"noted for {name} on {practice_day(at_ms, offset_min)}; `coach report` shows it, and your teacher's file"
    )
    return 0
