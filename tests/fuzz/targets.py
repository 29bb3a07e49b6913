"""What is fuzzed: for each reader its seeds, how they are mutated, and what is done with what it accepts.

`run` gives the outcome in a word or a short sentence; any exception but `CoachError`, and any broken invariant, is a
failure. What is accepted goes on to every writer, some of them only now and then, because they are slow.
"""

from __future__ import annotations

import contextlib
import io
import json
import random
import re
import tempfile
import xml.etree.ElementTree as ET
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, partial
from pathlib import Path
from typing import Any

from coach.commands.export import FORMATS
from coach.ground.problem import CoachError, Problem
from coach.log.lines import is_whole, lines_in
from coach.music.drill import Drill
from tests.fuzz import seeds
from tests.fuzz.invariants import assert_harmless_csv, assert_harmless_page, assert_plain
from tests.fuzz.more_targets import (
    called,
    mutated_take,
    own_exports,
    planted_case,
    practised_folder,
    run_duet,
    run_own_export,
    run_planted,
    run_take,
    takes,
)
from tests.fuzz.mutate import (
    NASTY,
    NUMBERS,
    chance_of,
    mutated_bytes,
    mutated_text,
    mutated_value,
    mutated_xml,
    recoded,
)
from tests.fuzz.structured import structured_drill, structured_midi, structured_score

ACCEPTED = "accepted"


@dataclass(frozen=True)
class Target:
    """A reader under fire. `mutate` makes an input of the pool's, `run` reads it in a scratch folder."""

    seeds: Callable[[], Sequence[bytes]]
    mutate: Callable[[random.Random, Sequence[bytes]], bytes]
    run: Callable[[bytes, Path], str]
    share: int
    """Thousands of runs of each million, by how much there is to reach and what a run costs."""
    may_name_paths: bool = False
    """Its input names files to write, which is no fault; they are not written all the same."""
    longest_s: float = 2.0
    """CPU time of one run: wall time on a shared machine says little. The engraver takes some 2 ms for each head."""


def refusal(error: CoachError) -> str:
    """The kind of a refusal, the same for all inputs that fail in the same way; its texts must be plain."""
    assert error.problems
    for problem in error.problems:
        assert_plain(problem.with_caret())
        assert_plain(str(problem))
    return kind_of(error.problems[0])


def kind_of(problem: Problem) -> str:
    """A problem's message without what it quotes and counts."""
    return "refused: " + re.sub(r"['`\"].*['`\"]|[\d.,]+|(?<=:).*", "_", problem.message)[:60]


def _texts(texts: Sequence[str]) -> tuple[bytes, ...]:
    return tuple(text.encode() for text in texts)


def _text_mutator(words: Sequence[str]) -> Callable[[random.Random, Sequence[bytes]], bytes]:
    def mutate(rng: random.Random, pool: Sequence[bytes]) -> bytes:
        data = rng.choice(pool)
        if rng.random() < 0.1:
            return mutated_bytes(rng, data, pool)
        others = [rng.choice(pool).decode("utf-8", "surrogateescape") for _ in range(2)]
        return recoded(rng, mutated_text(rng, data.decode("utf-8", "surrogateescape"), others, words))

    return mutate


DRILL_WORDS = (
    "E:0", "G:<7>?", "D:<3.2>", "1:<12>=G3", "<8>", "<3>", "<1/7>", "for", "for 99", "damp", "ring", "touch", "(1i)", "+",
    "1&", "2e", "3a", "2+1/3", "r", "[. G:<5>]", "bars:", "times: 99", "pickup: 1/3", "meter: 64/32", "meter: 3/4 in 1",
    "tempo: 20% to 400%", "order:", "one x99", "(one x9) x9", "cue:", "strings: [E1]", "strings: [C8, C0]", "scale_mm: 200",
    "a4_hz: 300", "stiffness: 0.01", "bass", "violin", "id:", "name:", "together", "drill: 2", "count_in: 4", "null",
)  # fmt: skip


def run_drill(data: bytes, folder: Path) -> str:
    """Check a drill; what is good is written in every format, read back, repaired, assigned and planned."""
    from coach.ground.source import decode
    from coach.score.checked import checked
    from coach.score.keys import DRILL_FILE

    text = decode(data, "x.yaml", DRILL_FILE)
    reading = checked(text, "x.yaml")
    for problem in reading.problems:
        assert_plain(problem.with_caret())
        problem.with_caret().encode()
    if reading.drill is None:
        assert any(problem.severity == "error" for problem in reading.problems)
        if reading.repairs:
            _mended(text)
        return kind_of(next(problem for problem in reading.problems if problem.severity == "error"))
    chance = chance_of(data)
    written_everywhere(reading.drill, chance)
    if chance.random() < 0.1:
        _edited(text, reading.drill, chance)
    return ACCEPTED


def _mended(text: str) -> None:
    from coach.score.edit import repaired

    mended, changes = repaired(text, "x.yaml")
    assert bool(changes) == (mended != text)


def _edited(text: str, drill: Drill, chance: random.Random) -> None:
    from coach.music.drill import Assignment
    from coach.report.assigned import assigned_text
    from coach.score.edit import with_ids
    from coach.score.load import read_drill

    settled, problems = read_drill(with_ids(text), drill.path)
    assert settled == drill, problems
    task = Assignment(
        "Mia", chance.choice(NASTY[:4]), 300, date(2026, 12, 24), chance.choice(("", "a: b # c", "'\""))
    )
    task = replace(task, teacher="")
    given = assigned_text(text, drill, task)
    assert given is not None
    assert read_drill(given, drill.path)[0] == replace(drill, assignment=task)


def written_everywhere(drill: Drill, chance: random.Random) -> None:
    """Write a drill in every format and prove each result; the slow ones now and then."""
    import mido

    from coach.paper.engrave import SIZES, engraved_lines
    from coach.paper.lane import plain_sheet
    from coach.paper.page import html_page
    from coach.paper.pdf import fitted_page
    from coach.paper.sheet import PAPERS, sheet_of
    from coach.score.load import read_drill
    from coach.score.midi_out import midi_bytes
    from coach.score.musicxml_in import part_names, read_musicxml
    from coach.score.musicxml_out import musicxml_text
    from coach.score.tab import text_tab
    from coach.score.write import write_drill

    again, problems = read_drill(write_drill(drill), drill.path)
    assert again == drill, [str(problem) for problem in problems]
    tempo = chance.choice((20, drill.goal_bpm, 300))
    assert_plain(text_tab(drill, chance.choice((40, 80, 400))))
    if chance.random() < 0.2:
        assert_harmless_page(html_page(plain_sheet(drill)))
    if chance.random() < 0.02:
        assert_harmless_page(html_page(sheet_of(drill, engraved_lines(drill, chance.choice(SIZES)))))
    if chance.random() < 0.01:
        assert fitted_page(drill, chance.choice(tuple(PAPERS))).pdf().startswith(b"%PDF")
    if chance.random() < 0.12:
        root = ET.fromstring(musicxml_text(drill, tempo))
        if chance.random() < 0.5:
            read_musicxml(root, next(iter(part_names(root))), "x")
    if chance.random() < 0.06:
        data = midi_bytes(drill, tempo, chance.random() < 0.1, chance.randrange(4))
        file = mido.MidiFile(file=io.BytesIO(data), charset="utf-8")
        for track in file.tracks:
            for message in track:
                for value in vars(message).values():
                    assert not isinstance(value, str) or not re.search(r"[\x00-\x1f\x7f-\x9f]", value)
    if chance.random() < 0.01:
        _planned(drill)


def _planned(drill: Drill) -> None:
    from coach.commands.plan import facts, lines
    from coach.learning.learning import Learnt
    from coach.learning.planner import make_plan

    plan = make_plan(seeds.TODAY, 20, (drill,), Learnt())
    for line in lines(plan, {drill.id: drill}):
        assert_plain(line)
    json.dumps(facts(plan, {drill.id: drill}, events=True))


SCORE_WORDS = (
    "<chord/>", "<grace/>", "<backup><duration>9</duration></backup>", "<forward><duration>1e9</duration></forward>",
    "<divisions>1e999999999</divisions>", "<divisions>-1</divisions>", "<divisions>10080</divisions>",
    "<time><beats>64</beats><beat-type>32</beat-type></time>", "<transpose><chromatic>1e300</chromatic></transpose>",
    '<ending number="99999" type="start"/>', '<repeat direction="backward" times="99"/>', "<sound tempo='1e-9'/>",
    "<sound tempo='1e9'/>", "<tie type='start'/>", "<voice>x</voice>", "<string>99</string>", "<fret>36</fret>",
    "<harmonic><artificial/></harmonic>", "<alter>1e30</alter>", "<octave>-99</octave>", "<?xml version='1.1'?>",
    "<![CDATA[x]]>", "<!DOCTYPE a [<!ENTITY b 'c'>]>", "&b;", "xmlns:x='y'", "<x:part id='P1'/>", "<part id='P1'/>",
)  # fmt: skip


def _read_foreign(data: bytes, folder: Path, name: str) -> str:
    from coach.score.arrange import arranged
    from coach.score.foreign import read_score
    from coach.score.load import read_drill
    from coach.score.strands import Choices

    path = folder / name
    path.write_bytes(data)
    chance = random.Random(len(data))
    part = chance.choice((None, None, "1", "Bass", "9" * 5000))
    octaves = chance.choice((None, None, 0, 3))
    score = read_score(path, part, octaves)
    choices = chance.choice(
        (Choices(), Choices(), Choices(split="harmonics"), Choices(split="C3"), Choices(every=1),
         Choices(bars=(1, 2)))
    )  # fmt: skip
    drill, text = arranged(score, choices, name)
    for remark in score.joined_remarks():
        assert_plain(remark)
    assert_plain(text)
    if chance.random() < 0.1:
        assert read_drill(text, drill.path)[0] == drill
        written_everywhere(drill, chance)
    return ACCEPTED


def mutated_zip(rng: random.Random, pool: Sequence[bytes]) -> bytes:
    """An archive with a mutated score, mutated names or container, or with mutated bytes."""
    inner = rng.choice(pool)
    if rng.random() < 0.5:
        inner = _score_mutator(rng, pool)
    name = rng.choice(
        ("a.musicxml", "score.xml", "../a.xml", "/a.xml", "C:\\a.xml", "a\0b.xml", rng.choice(NASTY))
    )
    box = seeds.container(rng.choice((name, name, name, "other.xml", "")))
    if rng.random() < 0.3:
        box = mutated_bytes(rng, box, [box])
    members = [("META-INF/container.xml", box), (name, inner)]
    if rng.random() < 0.3:
        members.append((rng.choice(("b.xml", "META-INF/x.xml", "x.mxl")), rng.choice((b"", b"<a/>", inner))))
    rng.shuffle(members)
    try:
        data = seeds.zipped(
            members[: rng.choice((1, 2, 3))], rng.choice((0, 8, 8, 12, 14)), rng.random() < 0.1
        )
    except ValueError:  # a name that no archive can hold
        data = seeds.zipped([("a.xml", inner)])
    return mutated_bytes(rng, data, [data]) if rng.random() < 0.6 else data


_rough_score = _text_mutator(SCORE_WORDS)


def _score_mutator(rng: random.Random, pool: Sequence[bytes]) -> bytes:
    if rng.random() < 0.5:
        return _rough_score(rng, pool)
    texts = [rng.choice(pool).decode("utf-8", "replace") for _ in range(2)]
    return mutated_xml(rng, texts[0], texts, SCORE_WORDS).encode("utf-8", "replace")


MIDI_WORDS = (
    b"MThd", b"MTrk", b"\xff\x2f\0", b"\xff\x51\x03\0\0\0", b"\xff\x51\x03\0\0\x01", b"\xff\x58\x04\0\0\0\0",
    b"\xff\x58\x04\x40\x05\x18\x08", b"\xff\x58\x04\xff\xff\xff\xff", b"\xff\x06\x04\x1b[2J", b"\xff\x03\xff\xff\xff\x7f",
    b"\xf0\x05\x01\x02\x03\x04\xf7", b"\xf7\x01\x00", b"\xb0\x65\0\0\xb0\x64\0\0\xb0\x06\xff", b"\xe0\x7f\x7f",
    b"\xff\xff\xff\x7f\x90\x40\x40", b"\0\x90\x40\x40", b"\0\x80\x40\0", b"\0\xc0\x1f", b"\xff\x01\x05=1+1\x07",
    b"\xff\x59\x02\x99\x99", b"\xff\x54\x05\xff\xff\xff\xff\xff", b"\xff\0\x02\0\0", b"\xff\x7f\0",
)  # fmt: skip


def _midi_mutator(rng: random.Random, pool: Sequence[bytes]) -> bytes:
    """Half of all with one or two bytes changed in place, behind the heads of file and track."""
    data = bytearray(rng.choice(pool))
    if rng.random() < 0.5 or len(data) < 40:
        return mutated_bytes(rng, bytes(data), pool, MIDI_WORDS)
    for _ in range(rng.choice((1, 1, 2))):
        data[rng.choice((rng.randrange(22, len(data)), rng.randrange(8, 14)))] = rng.randrange(
            rng.choice((4, 128, 256))
        )
    return bytes(data)


def mutated_log(rng: random.Random, pool: Sequence[bytes]) -> bytes:
    """A file of a log with mutated bytes, or with entries changed so that checksums and ids fit again."""
    data = rng.choice(pool)
    action = rng.random()
    if action < 0.2:
        return mutated_bytes(rng, data, pool)
    lines = data.splitlines(keepends=True) or [b"\n"]
    for _ in range(rng.choice((1, 1, 2, 5))):
        at = rng.randrange(len(lines))
        action = rng.random()
        if action < 0.75:
            lines[at] = _changed_entry(rng, lines[at])
        elif action < 0.85:
            lines[at:at] = [lines[at]] * rng.choice((1, 3))
        elif action < 0.95:
            lines.insert(rng.randrange(len(lines)), lines.pop(at))
        else:
            lines[at] = b"[" * 100_000 + b"\n"
    return b"".join(lines)


def _changed_entry(rng: random.Random, line: bytes) -> bytes:
    from coach.ground.codec import plain_of, value_of
    from coach.music.excerpt import LoggedPassage

    try:
        record = mutated_value(rng, json.loads(line))
        record.pop("crc", None)
        with contextlib.suppress(Exception):
            given = {key: part for key, part in record.items() if key != "passage"}
            passage = value_of(LoggedPassage, {"id": "", **given})
            named = LoggedPassage.of(passage.excerpt, passage.revision, passage.title, passage.events)
            record["passage"] = plain_of(named)["id"]
        text = json.dumps(record, ensure_ascii=rng.random() < 0.9, separators=(",", ":"))
        start = text.encode("utf-8", "surrogatepass")[:-1]
        crc = zlib.crc32(start) if rng.random() < 0.95 else 0
        return start + b',"crc":"%08x"}\n' % crc
    except (ValueError, TypeError, AttributeError, RecursionError):
        return line


def run_log(data: bytes, folder: Path) -> str:
    """A log of such a file beside one with some practice; all that the log then says, and what is copied of it."""
    from coach.learning.learning import LearningFold
    from coach.log.log import Log
    from coach.log.upkeep import backup_log, check_log
    from tests.kills import assert_cached_is_anew

    place = Path(tempfile.mkdtemp(dir=folder)) / "progress" / "log"
    place.mkdir(parents=True)
    (place / "hers-2026.jsonl").write_bytes(data)
    if len(data) % 2:
        (place / "mine-2026.jsonl").write_bytes(seeds.log_files()[0])
    chance = chance_of(data)
    with Log.open(place, None, now_ms=seeds.NOON, read_only=True) as log:
        problems = check_log(log).problems
        for problem in problems:
            assert_plain(problem.with_caret())
        for player in log.players()[:3]:
            log.choose_player(player.id, seeds.NOON, create=False)
            if chance.random() < 0.1:
                assert_cached_is_anew(log, LearningFold(), player.id, seeds.TODAY)
            _read_back(log, chance)
        assert_plain("\n".join(log.notices))
        if log.exists and chance.random() < 0.3:
            with contextlib.suppress(CoachError):
                copy = backup_log(log, seeds.NOON)
                assert all(map(is_whole, lines_in(copy.read_bytes())))
    return kind_of(problems[0]) if problems else ACCEPTED


def _read_back(log: Any, chance: random.Random) -> None:
    from coach.learning.learning import LearningFold
    from coach.learning.planner import history_of
    from coach.report.figures import make_report
    from coach.report.lines import report_lines
    from coach.report.page import report_page
    from coach.report.reply import reply_text
    from coach.report.reps_csv import reps_csv
    from coach.report.student import contents, student_reply
    from coach.report.tables import report_csv, report_facts

    if chance.random() < 0.3:
        history_of(log, log.state(LearningFold(), seeds.TODAY), seeds.TODAY)
        assert_harmless_csv(reps_csv(log, [log.player.id]))
    if chance.random() < 0.05:
        report = make_report(log, seeds.TODAY, None, "", seeds.drills())
        assert_plain("\n".join(report_lines(report, seeds.drills())))
        assert_harmless_page(report_page(report, seeds.drills()))
        assert_harmless_csv(report_csv(report))
        json.dumps(report_facts(report))
    if chance.random() < 0.05:
        sent = student_reply(log, seeds.drills()[:1], seeds.NOON, 60)
        assert_plain("\n".join(contents(sent)))
        reply_text(sent).encode()
    if chance.random() < 0.02:
        from coach.learning.planner import make_plan

        learnt = log.state(LearningFold(), seeds.TODAY)
        make_plan(seeds.TODAY, 20, seeds.drills()[:2], learnt, history_of(log, learnt, seeds.TODAY))


def mutated_student(rng: random.Random, pool: Sequence[bytes]) -> bytes:
    """A student's file with mutated bytes, or with a value changed and the checksum made to fit."""
    from coach.report.reply import digest

    data = rng.choice(pool)
    if rng.random() < 0.15:
        return mutated_bytes(rng, data, pool)
    try:
        body = json.loads(data)
        for _ in range(rng.choice((1, 1, 2, 6))):
            body = mutated_value(rng, body)
        if isinstance(body, dict) and rng.random() < 0.5:
            body["sha256"] = digest(body)
        return json.dumps(body).encode()
    except (ValueError, RecursionError):
        return data


def run_student(data: bytes, folder: Path) -> str:
    """Read a student's file and show it to the teacher in every way."""
    from coach.report.classroom import make_class
    from coach.report.inbox import read_student
    from coach.report.overview import class_csv, class_facts
    from coach.report.overview_lines import class_lines, student_lines
    from coach.report.overview_page import class_page

    path = folder / "x.json"
    path.write_bytes(data)
    file = read_student(path)
    classroom = make_class([file], [], seeds.TODAY)
    assert_plain("\n".join(class_lines(classroom)))
    for student in classroom.students:
        assert_plain("\n".join(student_lines(student, classroom)))
    assert_harmless_csv(class_csv(classroom))
    assert_harmless_page(class_page(classroom))
    json.dumps(class_facts(classroom))
    return ACCEPTED


SETTINGS_WORDS = (
    "practice:", "screen:", "sound:", "midi:", "keys:", "minutes: 1e999", "minutes: 0x14", "click_db: .nan", "click_db: .inf", "minutes: 0x" + "f" * 5000, "offset_ms: 0x" + "f" * 5000, "clean: 0x" + "f" * 5000,
    "listening: {on: yes, note_seen: no}", "listening:", "on:", "input: ''", "offset_ms: 1001", "click: tick", "click: drum", "click_db: 1",
    "silent_note_seen: 2", "instruments: [{name: x, strings: [E1], scale_mm: 864}]", "capo: 99", "set_back_mm: -1", "run_on_pause_s: 31",
    "pause_s: 1:30", "theme:", "ascii: yes", "ascii: y", "click_db: -.inf", "channel: 17", "bindings: {clean: [[]]}",
    "bindings: {clean: cc 999}", "clean: [ctrl+c, escape]", "clean: 5", "? [a]", "? {a: b}", "!!bool x", "!!float x",
    "!!int ''", "!!timestamp x", "!!binary x", "!!set {a}", "!!omap [a]", "!!python/name:os.system", "&a [*a]", "<<: {a: 1}",
)  # fmt: skip


def run_settings(data: bytes, folder: Path) -> str:
    """Read settings, save changes into them, and take one out again."""
    from coach.folder.settings import load_settings, save_settings
    from coach.midi.pedal import Trigger

    path = folder / "settings.yaml"
    path.write_bytes(data)
    settings = load_settings(path)
    save_settings(path, {"practice": {"minutes": 33}, "sound": {"offset_ms": -7.5}})
    practice, sound = replace(settings.practice, minutes=33), replace(settings.sound, offset_ms=-7.5)
    changed = replace(settings, practice=practice, sound=sound)
    assert load_settings(path) == changed
    save_settings(path, {"midi": {"bindings": {"next": (Trigger("note", 99),)}}})
    save_settings(path, {"midi": {"bindings": {"next": None}}})
    left = dict(settings.midi.bindings)
    left.pop("next", None)
    assert load_settings(path) == replace(changed, midi=replace(changed.midi, bindings=left))
    path.unlink()
    return ACCEPTED


ANSWER_WORDS = (
    "clean", "choked", "late", "dropped", "not reached", "stop", "skip", "day", "at", "lift", "position", "lamp/bass",
    "lamps/wick/bass", "60", "300", "2026-12-03", "9999-12-31", "0001-01-01", "1970-01-01", ";", "4.1", "99999", "#", "\n",
)  # fmt: skip


def run_answers(data: bytes, folder: Path) -> str:
    """Read an answers file; enter what is good into sessions on a small drill."""
    from coach.commands.practice import evening
    from coach.learning.learning import LearningFold
    from coach.learning.planner import history_of, make_plan
    from coach.session.answers import load_answers
    from coach.session.entered import HandClock, enter
    from coach.session.host import Practice
    from tests.samples import sample_drill

    path = folder / "answers.txt"
    path.write_bytes(data)
    answers = load_answers(str(path))
    if random.Random(len(data)).random() < 0.9 or len(answers) > 60:
        return ACCEPTED
    with seeds.memory_log("Ada") as log:
        hand_clock = HandClock(seeds.NOON, 60)
        drills = [sample_drill()]

        def begin() -> Practice:
            day = date.fromordinal(719163 + hand_clock.now_ms // 86_400_000)
            learnt = log.state(LearningFold(), day)
            plan = make_plan(day, 20, drills, learnt, history_of(log, learnt, day))
            return Practice(log, plan, drills, clock=hand_clock)

        def set_day(day: date) -> None:
            hand_clock.now_ms, hand_clock.utc_offset_min = evening(day)

        def tell(practice: Practice) -> None:
            for notice in practice.take_notices():
                assert_plain(str(notice))

        enter(answers, "answers.txt", hand_clock, begin, set_day, tell)
    return "accepted and entered"


ARGUMENTS = (
    "nodes --strings G2,D2,A1,E1 --scale-mm 864 --upto 7", "nodes --instrument violin --a4 442 --json",
    "nodes --stiffness 0.0003 --upto 9 --pluck-mm 90 --pickup-mm 60", "find F#4", "find F#4 --hold A:3 --upto 9 --tolerance 40",
    "find F#4x2 D4 r A4x1/2 --bass E:0x4 --tempo 60", "find G3 --json --strings G2,D2,A1,E1 --reach-mm 130 --ring 1",
    "tune --a4 440", "tune --strings G2,D2,A1,E1 --json --stiffness 0.0001,0.0003", "plan --minutes 20 --date 2026-12-03",
    "plan --json --events", "check -", "check none.yaml", "export first-pour --to tab --width 60",
    "export first-pour --to musicxml --tempo 60 -o -", *(f"export first-pour --to {kind} -o -" for kind in FORMATS), "import none.mid --bars 1-2 --split C3 --every 4",
    "import none.mid --instrument G2,D2,A1,E1 --harmonics-octaves 2", "assign first-pour --to Mia --goal 70 --due 2027-12-24 --note x -o -",
    "new --title X --instrument bass --meter 4/4 --start 50 --goal 70 --bars 2 -o -", "new --scale-mm 864 --meter 7/8 -o -",
    "log show --since 2026-12-03", "log correct ABCDEF choked 2 5", "log players --json", "log check --json",
    "report first-pour --since 2026-12-03 --json", "report --csv --date 2026-12-03", "forecast none --date 2026-12-03",
    "roster . --need silent --date 2026-12-03", "practice first-pour --minutes 20 --silent", "log export --everybody --csv",
)  # fmt: skip
ARGUMENT_WORDS = (
    "--json", "--folder", "--player", "--date", "--minutes", "-o", "-", "--", "--help", "--version", "x", "''", "G2", "C-1",
    "G99", "B#4", "Cb-1", "1/2", "0/1", "7/7", "2/4", "lamps:wick:bass:node:full:x", "2026-02-29", "2024-02-29", "0001-01-01",
    "9999-12-31", "1e999", "-5", "100000", "1-0", "5-", "C3", "5:3/2", "4/4 in 0", "64/64", "0/0",
)  # fmt: skip


def mutated_arguments(rng: random.Random, pool: Sequence[bytes]) -> bytes:
    """A command line, its words as JSON: words swapped, replaced, changed inside."""
    words = json.loads(rng.choice(pool))
    for _ in range(rng.choice((1, 1, 2, 3))):
        if len(words) < 2:
            break
        at = rng.randrange(1, len(words))
        action = rng.randrange(6)
        if action == 0:
            words[at] = rng.choice((*NUMBERS, *NASTY))
        elif action == 1:
            words[at] = rng.choice(ARGUMENT_WORDS)
        elif action == 2:
            words.insert(at, rng.choice(ARGUMENT_WORDS))
        elif action == 3:
            del words[at]
        else:
            words[at] = mutated_text(rng, words[at], words, ARGUMENT_WORDS)
    # No system hands over a NUL or half a character inside a word.
    kept = [word.replace("\0", "")[:3000] for word in words if word not in ("--html", "--fix")]
    return json.dumps([word.encode("utf-8", "replace").decode() for word in kept]).encode()


@cache
def _parsers() -> tuple[Callable[[str], Any], ...]:
    from coach.commands.common import parse_date
    from coach.midi.pedal import Trigger
    from coach.music.excerpt import Excerpt
    from coach.rating.fault import parse_faults
    from coach.score.beats import read_beat, read_beats
    from coach.score.notation import read_events
    from coach.strings.instrument import Instrument
    from coach.strings.node import Node, nodes_at_label
    from coach.strings.units import midi_from_note

    return (
        Node.parse, nodes_at_label, midi_from_note, Excerpt.parse, parse_date, parse_faults, read_beat, read_beats,
        read_events, Trigger.parse, lambda text: Instrument.of(text.split(","), 864.0),
    )  # fmt: skip


def run_arguments(data: bytes, folder: Path) -> str:
    """Call the command line; and every parser of a word with each word. Parsers of the core raise ValueError."""
    words = json.loads(data)
    for word in words[1:]:
        for parse in _parsers():
            with contextlib.suppress(ValueError, CoachError):
                parse(word)
    home = (
        ["--folder", str(folder / "home")]
        if words[0] not in ("nodes", "tune", "find", "check", "import", "roster")
        else []
    )
    # `log` has its verb first.
    first = 2 if words[0] == "log" else 1
    status = called([*words[:first], *home, *words[first:]], folder, b"drill: 1\n")
    return f"{words[0]}: status {status}"


def _nothing() -> Sequence[bytes]:
    """Where inputs are built and not mutated."""
    return (b"",)


def _planted_seeds() -> Sequence[bytes]:
    practised_folder()  # Before writing is forbidden.
    return (b'[[["out.csv", "folder"]], [["plan"], ["report"]]]',)


TARGETS: dict[str, Target] = {
    "drill": Target(lambda: _texts(seeds.drill_texts()), _text_mutator(DRILL_WORDS), run_drill, 220),
    "musicxml": Target(
        lambda: _texts(seeds.scores()), _score_mutator, partial(_read_foreign, name="x.musicxml"), 180
    ),
    "mxl": Target(lambda: _texts(seeds.scores()), mutated_zip, partial(_read_foreign, name="x.mxl"), 70),
    "midi": Target(
        seeds.midis,
        lambda rng, pool: _midi_mutator(rng, pool),
        partial(_read_foreign, name="x.mid"),
        110,
    ),
    "log": Target(seeds.log_files, mutated_log, run_log, 50),
    "student": Target(seeds.student_files, mutated_student, run_student, 70),
    "settings": Target(lambda: _texts(seeds.SETTINGS), _text_mutator(SETTINGS_WORDS), run_settings, 70),
    "answers": Target(lambda: _texts(seeds.ANSWERS), _text_mutator(ANSWER_WORDS), run_answers, 50),
    "arguments": Target(
        lambda: tuple(json.dumps(line.split()).encode() for line in ARGUMENTS),
        mutated_arguments,
        run_arguments,
        20,
        may_name_paths=True,
        longest_s=10.0,
    ),
    "structured-drill": Target(_nothing, structured_drill, run_drill, 50, longest_s=20.0),
    "structured-score": Target(
        _nothing, structured_score, partial(_read_foreign, name="x.musicxml"), 35, longest_s=20.0
    ),
    "structured-midi": Target(
        _nothing, structured_midi, partial(_read_foreign, name="x.mid"), 25, longest_s=10.0
    ),
    "duet-score": Target(_nothing, structured_score, partial(run_duet, name="x.musicxml"), 2, longest_s=10.0),
    "duet-midi": Target(_nothing, structured_midi, partial(run_duet, name="x.mid"), 8, longest_s=10.0),
    "own-export": Target(own_exports, _score_mutator, run_own_export, 30),
    "take": Target(takes, mutated_take, run_take, 5),
    "planted": Target(_planted_seeds, planted_case, run_planted, 5),
}
