"""Files, names and words from others: nothing of them hangs, grows, is obeyed by a terminal, or runs in a page.

What a terminal obeys: ECMA-48 (C0, C1, ESC sequences; OSC 52 writes the clipboard); what turns a line's direction:
Unicode annex 9. The fuzzer behind the first test runs longer by `python -m tests.fuzz --runs 1000000`.
"""

from __future__ import annotations

import io
import json
import os
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from coach.cli import main
from coach.folder.library import load_library
from coach.folder.settings import load_settings, read_settings
from coach.ground.digits import exact_number, whole_number
from coach.ground.places import find_places
from coach.ground.plain import json_text, plain_text, visible
from coach.ground.problem import CoachError, Problem
from coach.ground.table_csv import csv_text
from coach.log.book import lines_of
from coach.log.entries import Entry
from coach.log.log import Log
from coach.log.upkeep import check_log
from coach.music.drill import Assignment, Drill
from coach.music.excerpt import LoggedPassage
from coach.pages.document import document, escaped, table
from coach.paper.lane import plain_sheet
from coach.paper.page import html_page
from coach.report.inbox import read_student
from coach.score.arrange import arranged
from coach.score.checked import checked
from coach.score.edit import repaired
from coach.score.foreign import read_score
from coach.score.load import load_drill, read_drill
from coach.score.midi_out import midi_bytes
from coach.score.musicxml_out import musicxml_text
from coach.score.strands import Choices
from coach.score.tab import text_tab
from coach.session.answers import load_answers, read_answers
from coach.tui.canvas import Canvas
from tests.fuzz.invariants import RAW, assert_harmless_csv, assert_harmless_page, assert_plain
from tests.fuzz.seeds import ENTRIES, SETTINGS, container, practised, zipped
from tests.logs import NOON, PASSAGE, id_at, rep_at
from tests.samples import sample_drill

ROOT = Path(__file__).parent.parent
EVIL = "a\x1b]52;c;WA==\x07b\x9b31mc\u202ed\x9d0;t\x9ce\x08f\x7fg\u2066h\nnext\x00\x85\u2028i"
MARKUP = "[red]x[/red][@click=app.quit]y[/][bold"
SCRIPT = "</style><script>alert(1)</script><img src=x onerror=alert(1)>'\"><svg onload=a()>&lt;"
HEAD = """drill: 1
title: T
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 44, goal: 76}
phrases:
"""
PHRASE = f"{HEAD}  - name: a\n    bars:\n"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the fuzzer's batches are forked processes")
def test_no_mutated_input_breaks_a_rule(tmp_path: Path) -> None:
    words = [
        "-m",
        "tests.fuzz",
        "--runs",
        "1600",
        "--batch",
        "400",
        "--seed",
        "7",
        "--save",
        str(tmp_path / "failed"),
    ]
    done = subprocess.run([sys.executable, *words], cwd=ROOT, capture_output=True, text=True, check=False)
    failures = "\n".join(path.read_text() for path in (tmp_path / "failed").glob("*.txt"))
    assert done.returncode == 0, f"{done.stdout}\n{failures}\n{done.stderr}"
    assert "all" in done.stdout


@pytest.mark.parametrize("text", SETTINGS)
def test_the_settings_that_are_mutated_are_right(text: str) -> None:
    read_settings(text, "settings.yaml")


def many(piece: str, size: int = 990_000) -> str:
    return piece * (size // len(piece))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a: &a [x]\nb: &b [*a, *a, *a]\nc: [*b, *b, *b]\n", "a YAML anchor; a drill can't have one"),
        ("[" * 100_000, "nested more than 12 deep"),
        ("{a: " * 100_000, "nested more than 12 deep"),
        ("- " * 100_000, "nested more than 12 deep"),
        (many("k: 1\n"), "given twice"),
        (many("- a\n"), "has more than 60,000 keys and values"),
        (HEAD.replace("44", "9" * 100_000), "is not a whole number from 20 to 300 bpm"),
        (HEAD.replace("44", "1e999"), "'1e999' is not a whole number"),
        (HEAD.replace("864", "1e999"), "is not a number"),
        (HEAD.replace("drill: 1", "drill: " + "9" * 100_000), "not a version of the format"),
        (PHRASE + "      - bass: 1 E:<1e999999999>\n", "is not a position"),
        (PHRASE + "      - bass: 1 E:<1/" + "9" * 5000 + ">\n", "not a node"),
        (PHRASE + "      - bass: 1 E:0 for 1/0\n", "divides by 0"),
        (PHRASE + "      - bass: " + many("x,") + "\n", "characters for one layer of one bar"),
        (PHRASE + "      - bass: 1 " + "E:0+" * 2000 + "E:0\n", "notes at once"),
        (PHRASE + "      - bass: 1+1/7 E:0|E:1|E:2|E:3 in 5/999\n", "finer parts than 1/999"),
        (PHRASE + "      - bass: 1 E:0\norder: a" + " " * 900_000 + "x\n", "a name in it is far too long"),
        (PHRASE + "      - bass: 1 E:0\norder: " + many("b x9, ") + "\n", "there is no phrase 'b'"),
        (HEAD.replace("T", "T\ntags: [" + "a, " * 9000 + "]"), "9000 tags; at most 20"),
        (HEAD.replace("[G2, D2, A1, E1]", "[" + "G2, " * 9000 + "]"), "9000 strings is outside 1 to 12"),
        (
            PHRASE + "      - meter: 64/32\n        times: 99\n        bass: 1 E:0\n" * 3,
            "more than 10,000 beats",
        ),
        (
            PHRASE
            + "".join(f"      - {{times: 99, bass: '{', '.join(f'{n} E:0' for n in (1, 2, 3, 4))}'}}\n" * 20)
            + "order: a x99\n",
            "in this order the piece has 196,020 bars; at most 5,000",
        ),
        (f"{PHRASE}      - bass: 1 E:0\n        cue: a \u202e b\n", "the control character U+202E"),
    ],
    ids=range(23),
)
def test_no_drill_makes_work_out_of_all_proportion(text: str, message: str) -> None:
    reading = checked(text, "x.yaml")
    assert reading.drill is None
    assert any(message in problem.message for problem in reading.problems), reading.problems[0].message
    assert len(reading.problems) <= 210
    assert max(len(str(problem)) for problem in reading.problems) < 2_000
    repaired(text, "x.yaml")


def test_a_sound_file_of_many_hours_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.yaml"
    path.write_text(PHRASE + "      - {times: 99, bass: 1 E:0}\n" * 20)
    assert main(["export", str(path), "--to", "wav", "--tempo", "20", "-o", str(tmp_path / "x.wav")]) == 2
    assert "at 20 bpm the piece lasts 396 minutes; at most 15 are written as sound" in capsys.readouterr().err


def test_a_full_report_says_that_there_is_more() -> None:
    reading = checked(PHRASE + "      - bass: 1 Q:0\n" * 1000, "x.yaml")
    assert reading.problems[-1].message == "and more problems; fix these first"
    assert len(reading.problems) == 202


def test_what_can_be_read_can_be_written_and_read_again() -> None:
    from coach.score.write import write_drill

    bars = (
        "      - {pickup: 1.2026, bass: '3.9999 E:１２ for 1.0001'}\n      - bass: 2+1/7 E:0 for 99.123457\n"
    )
    drill, problems = read_drill(PHRASE + bars, "x.yaml")
    assert drill is not None, problems
    assert read_drill(write_drill(drill), "x.yaml")[0] == drill


SCORE = (
    "<score-partwise><part-list><score-part id='P1'><part-name>x</part-name></score-part></part-list>"
    "<part id='P1'><measure number='1'>{}<note><pitch><step>E</step><octave>2</octave></pitch>"
    "<duration>{}</duration></note></measure></part></score-partwise>"
)
LAUGHS = (
    "<?xml version='1.0'?><!DOCTYPE l [<!ENTITY a 'ha'>"
    + "".join(f"<!ENTITY {chr(98 + n)} '{f'&{chr(97 + n)};' * 10}'>" for n in range(9))
    + "]><score-partwise>&j;</score-partwise>"
)
ATTRIBUTE_BOMB = (
    b"<!DOCTYPE a [<!ATTLIST b %s>]><a>" % b" ".join(b"a%d CDATA '1'" % n for n in range(100_000))
    + b"<b/>" * 1_000_000
    + b"</a>"
)


def overlapping() -> bytes:
    """Two entries of one archive's directory for the same bytes."""
    data = zipped([("a.xml", b"<a/>"), ("b.xml", b"<b/>")])
    start = data.index(b"PK\x01\x02")
    second = data.index(b"PK\x01\x02", start + 4)
    return data[: second + 42] + data[start + 42 : start + 46] + data[second + 46 :]


def track(events: bytes) -> bytes:
    return b"MThd\0\0\0\6\0\1\0\1\0\x60MTrk" + struct.pack(">I", len(events)) + events


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (LAUGHS.encode(), "declares entities or attributes of its own"),
        (LAUGHS.encode("utf-16"), "declares entities or attributes of its own"),
        (
            b"<!DOCTYPE a [<!ENTITY b SYSTEM 'file:///nowhere/x'>]><a>&b;</a>",
            "declares entities or attributes of its own",
        ),
        (b"<a>\n<b:c/></a>", "x:2:1: this is not XML: unbound prefix"),
        (b"<?xml version='1.0' encoding='klingon'?><a/>", "this is not XML: unknown encoding"),
        (ATTRIBUTE_BOMB, "x:1: the file declares entities or attributes of its own"),
        (b"<!DOCTYPE a SYSTEM 'http://localhost:9/x.dtd'><a/>", "<a> is not a MusicXML score"),
        (b"<a>" * 100_000 + b"</a>" * 100_000, "<a> is not a MusicXML score"),
        (b"<a>" * 2_000_000, "the file has 2,000,000 tags; at most 1,500,000"),
        (b"<a " + b" ".join(b'a%d="1"' % n for n in range(800_000)) + b"/>", "attributes; at most 700,000"),
        (
            SCORE.format(
                "<attributes><divisions>1e999999999</divisions></attributes>", "1e999999999"
            ).encode(),
            "no notes",
        ),
        (
            SCORE.format(
                "<attributes><divisions>" + "9" * 100_000 + "</divisions></attributes>", "1/0"
            ).encode(),
            "no notes",
        ),
        (
            SCORE.format("<barline><ending type='start' number='" + "9" * 5000 + "'/></barline>", 0).encode(),
            "no notes",
        ),
        (zipped([("a.xml", b"<a/>" * 3_000_000)]), "the file has 3,000,000 tags"),
        (zipped([("a.xml", bytes(60_000_000))]), "larger than 20 MB"),
        (
            zipped([("META-INF/container.xml", b"<a>" + b"<b/>" * 3_000_000 + b"</a>"), ("a.xml", b"<a/>")]),
            "tags",
        ),
        (zipped([(f"{n}.xml", b"") for n in range(2_000)], 0), "more than 1,000 files"),
        (zipped([("a.mxl", zipped([("a.xml", b"<a/>")]))]), "has no MusicXML file"),
        (overlapping(), "archive can't be read|is not a MusicXML score"),
        (
            zipped([("META-INF/container.xml", container("C:\\x.xml")), ("a.xml", b"<a/>")]),
            "nothing outside it is read",
        ),
        (
            zipped([("META-INF/container.xml", container("/nowhere/x")), ("a.xml", b"<a/>")]),
            "nothing outside it is read",
        ),
        (
            zipped([("META-INF/container.xml", container("l")), ("l", b"/nowhere/x")], symlink=True),
            "not a MusicXML",
        ),
        (track(b"\0\x90\x40\x40" + b"\0\x40\x40" * 200_000), "at most 0.5 MB"),
        (track(b"\xff\xff\xff\x7f\x90\x40\x40" * 3), "more than 100,000 bars"),
        (track(b"\0\xff\x03\xff\xff\xff\x7fx"), "broken"),
    ],
    ids=range(25),
)
def test_no_music_file_makes_work_out_of_all_proportion(data: bytes, message: str, tmp_path: Path) -> None:
    path = tmp_path / "in" / "x"
    path.parent.mkdir()
    path.write_bytes(data)
    with pytest.raises(CoachError, match=message):
        arranged(read_score(path), Choices(), str(path))
    assert [item.name for item in tmp_path.rglob("*")] == ["in", "x"], "nothing is unpacked beside it"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"[" * 3_000_000, "not a student's reply"),
        (b'{"wellrung":"report","version":' + b"1" * 100_000 + b"}", "cut off or damaged"),
        (b'{"wellrung":"report","version":1e999}', "without a version"),
        (
            b'{"wellrung":"report","version":1,"a":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
            "cut off or damaged",
        ),
        (b" " * 5_000_000, "a student's reply has at most 4 MB"),
    ],
    ids=range(5),
)
def test_no_students_file_makes_work_out_of_all_proportion(data: bytes, message: str, tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(data)
    with pytest.raises(CoachError, match=message):
        read_student(path)


def test_broken_lines_of_a_log_are_told_a_few_at_a_time_and_the_others_count(tmp_path: Path) -> None:
    worst = [b"[" * 1_000_000, b'{"rep":' + b"9" * 100_000 + b"}", b'{"entry":"\\ud800"}', b"\xff\xfe"]
    whole = lines_of(practised().book, practised().sent)
    data = b"".join([*(line + b"\n" for line in (*worst, *[b"x"] * 5_000)), *whole])
    (tmp_path / "log").mkdir()
    (tmp_path / "log" / "hers-2026.jsonl").write_bytes(data)
    with Log.open(tmp_path / "log", now_ms=NOON, read_only=True) as log:
        assert len(check_log(log).problems) == 5_004
        assert len(log.notices) == 6
        assert "and 4,999 more" in log.notices[-1]
        assert len(log.entries()) == len(ENTRIES)


def test_a_long_answers_file_of_nonsense_is_told_in_brief() -> None:
    with pytest.raises(CoachError) as caught:
        read_answers("x" * 500 + "\n" + "nonsense\n" * 100_000, "a.txt")
    assert len(caught.value.problems) == 101
    assert len(caught.value.problems[0].with_caret()) < 1_000


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a: &a [x]\nb: [*a, *a]\n", "`&a` is a YAML anchor; a settings file can't have one"),
        ("[" * 50_000, "nested more than 12 deep"),
        ("a: {a: " + "{a: " * 5_000, "nested more than 12 deep"),
        ("- a\n" * 20_000, "found a list where `key: value` lines belong"),
        ("practice: {minutes: !!bool x}\n", "a YAML tag"),
        ("practice: {minutes: !!timestamp x}\n", "a YAML tag"),
        ("practice: {minutes: !!python/name:os.system x}\n", "a YAML tag"),
        ("practice: {minutes: " + "9" * 5_000 + "}\n", "is not a whole number from 1 to 240"),
        ("practice: {pause_s: .nan}\n", "'.nan' is not a number from 0 to 30"),
        ("practice: {minutes: " + "[" * 5 + "x" * 5_000 + "]" * 5 + "}\n", "a list is not a whole number"),
        ('screen: {theme: "\\e]52;c;WA==\\a"}\nx\\e: 1\n', "the control character U\\+001B"),
    ],
    ids=range(11),
)
def test_no_settings_make_work_out_of_all_proportion(text: str, message: str) -> None:
    with pytest.raises(CoachError, match=message) as caught:
        read_settings(text, "settings.yaml")
    assert len(str(caught.value)) < 600
    assert_plain(str(caught.value))


@pytest.mark.parametrize(
    "text", ["1e999999999", "9" * 5000, "1" * 41, "1e999", "nan", "inf", "1_0", "", "1/0", "0x1"]
)
def test_numbers_out_of_all_measure_are_none(text: str) -> None:
    assert whole_number(text) is None
    with pytest.raises(ValueError, match=r"is not a number|divides by 0"):
        exact_number(text)


def test_what_is_said_is_visible_whatever_stands_in_it() -> None:
    assert visible("a\x1b[2Jb") == "a·[2Jb"
    problem = Problem(EVIL, EVIL, 1, 2, EVIL, EVIL, "error", EVIL, "")
    assert_plain(problem.with_caret())
    assert json.loads(json_text({EVIL: [EVIL]})) == {EVIL: [EVIL]}, "escaped and not lost"
    assert_plain(json_text({EVIL: [EVIL]}, 1))
    assert not RAW.search(plain_text(EVIL))


def test_commands_print_only_through_one_door() -> None:
    for path in (ROOT / "coach" / "commands").glob("*.py"):
        if path.name != "common.py":
            assert "print(" not in path.read_text(encoding="utf-8"), path.name


def hostile_drill() -> Drill:
    """Every text of a drill with everything in it, as no file can have it."""
    text = EVIL + MARKUP + SCRIPT + "=1+1"
    drill = sample_drill()
    bars = tuple(replace(bar, cue=text, dynamics=text) for bar in drill.phrases[0].bars)
    phrases = (replace(drill.phrases[0], name=text, cue=text, bars=bars), *drill.phrases[1:])
    task = Assignment(text, text, 70, None, text, text)
    return replace(
        drill, title=text, about=text, composer=text, tags=(text,), assignment=task, phrases=phrases,
        order=("lamp", "wick"),
    )  # fmt: skip


def test_no_text_of_a_drill_gets_out_of_its_place_in_any_export() -> None:
    import xml.etree.ElementTree as ET

    import mido

    drill = hostile_drill()
    assert_harmless_page(html_page(plain_sheet(drill)))
    assert_plain(text_tab(drill))
    text = musicxml_text(drill, 60)
    assert_plain(text)
    root = ET.fromstring(text)
    assert root.findtext("work/work-title") == plain_text(drill.title), "as text, and no element of it"
    assert not root.findall(".//script")
    file = mido.MidiFile(file=io.BytesIO(midi_bytes(drill, 60)), charset="utf-8")
    for message in (message for one in file.tracks for message in one if message.is_meta):
        assert_plain(str(vars(message).get("text", "")) + str(vars(message).get("name", "")))


@pytest.mark.parametrize(
    "start", ["=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", " =1", "\n=1", "\u200b=1", "＝1", "|x", "%x"]
)
def test_no_cell_of_a_table_is_a_formula(start: str) -> None:
    text = csv_text(("a", "b"), [(start + EVIL, f'"{start}"'), (start, 1)])
    assert_harmless_csv(text)


def test_no_text_gets_out_of_its_place_in_a_page() -> None:
    text = SCRIPT + EVIL
    assert_harmless_page(document(text, [table((text, text), [(text, text)])]))
    assert_harmless_page(document("t", [f"<p>{escaped(text)}</p>", f'<p class="{escaped(text)}"></p>']))


@pytest.fixture
def hostile_folder(tmp_path: Path) -> Path:
    """A practice folder whose file names, drills, log, settings and students' files are all against us."""
    folder = tmp_path / f"home{EVIL.replace(chr(0), '').replace('/', '')}"
    (folder / "drills").mkdir(parents=True)
    (folder / "drills" / f"bad{EVIL[:30]}.yaml").write_text(f"drill: {EVIL[:20]}\n")
    marked = (
        (ROOT / "drills" / "first-pour.yaml").read_text().replace("title: First Pour", f'title: "{MARKUP}"')
    )
    (folder / "drills" / "marked.yaml").write_text(marked.replace("id: first-pour", "id: marked"))
    (folder / "settings.yaml").write_text("screen: {tour_seen: true}\nsound: {hearing_note_seen: true}\n")
    with Log.open(folder / "progress" / "log", "Ada", now_ms=NOON) as log:
        key = f"x{EVIL}:p{EVIL}:l{EVIL}:phrase:full:{EVIL}".replace("\x00", "")
        passages = [
            LoggedPassage.of(key, EVIL, EVIL + MARKUP + "=1", PASSAGE.events),
            LoggedPassage.of(PASSAGE.excerpt, PASSAGE.revision, SCRIPT + EVIL, PASSAGE.events),
        ]
        for number, passage in enumerate(passages):
            rep = rep_at(log, NOON - 1000 + number, (), passage)
            log.send((replace(rep, purpose=EVIL, turn=EVIL), passage))
        for kind in ("note", "hurt", "answers"):
            body = {"text": EVIL + MARKUP, "excerpt": key, "tempo_bpm": 50}
            log.send(Entry(id_at(NOON, kind), log.player.id, NOON, 60, kind, body))  # type: ignore[arg-type]
    return folder


def test_nothing_that_others_wrote_reaches_the_terminal_raw(
    hostile_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    evil = EVIL.replace("\x00", "")
    student = tmp_path / "students" / f"{evil[:40]}.json"
    student.parent.mkdir()
    where = ["--folder", str(hostile_folder), "--date", "2026-12-03"]
    exported = tmp_path / f"{evil[:30]}.csv"
    assert main(["log", "export", *where, "-o", str(exported)]) == 0
    assert main(["report", "marked", "--for-teacher", "--yes", *where, "-o", str(student)]) == 0
    (student.parent / f"bad{evil[:20]}.json").write_text('{"wellrung": "report"')
    answers = tmp_path / f"{evil[:20]}.txt"
    answers.write_text(f"{evil}\nat {evil}/x 60 clean\n")
    score = tmp_path / f"{evil[:25]}.mid"
    score.write_bytes(b"MThd")
    bad = hostile_folder / "drills" / f"bad{EVIL[:30]}.yaml"
    for words in (
        [evil], ["check", str(bad)], ["check", "--json", str(bad)], ["check", evil], ["plan", *where], ["forecast", evil, *where],
        ["plan", *where, "--json"], ["plan", *where, "--events"], ["practice", evil, *where], ["practice", str(bad), *where],
        ["practice", *where, "--answers", str(answers)], ["export", evil, "--to", "tab"], ["export", str(bad), "--to", "tab"],
        ["export", "first-pour", "--to", "midi", "-o", evil + "/x"], ["import", str(score)], ["import", evil],
        ["import", str(score), "--part", evil, "--split", evil], ["new", "--title", evil, "-o", "-"], ["new", "--meter", evil],
        ["assign", "first-pour", "--to", evil, "--from", evil, "--note", evil, "-o", "-", *where], ["assign", evil, "--to", "x", "-o", "-", *where],
        ["find", evil], ["find", "F#4", "--hold", evil], ["nodes", "--strings", evil], ["tune", "--a4", evil],
        ["log", "show", *where], ["log", "show", "--json", *where], ["log", "show", evil, *where], ["log", "players", *where],
        ["log", "correct", evil, evil, *where], ["log", "note", evil, *where], ["log", "check", "--accept", *where],
        ["log", "check", *where], ["log", "check", "--json", *where], ["log", "export", *where],
        ["log", "backup", "-o", str(hostile_folder / f"{evil[:30]}.txt"), *where],
        ["report", *where], ["report", "--json", *where], ["report", "--csv", *where], ["report", "--html", *where],
        ["report", "marked", *where], ["report", evil, *where], ["report", "marked", "--for-teacher", "--yes", *where],
        ["roster", str(student.parent), *where], ["roster", str(student.parent), "--json", *where], ["roster", str(student.parent), "--csv", *where],
        ["roster", str(student.parent), "--html", *where], ["roster", evil], ["log", "undo", *where], ["log", "rename", evil, *where],
        ["log", "forget", evil, "--yes", "--folder", str(hostile_folder)], ["plan", "--player", evil, *where[:2]],
        ["plan", f"--{evil}"], ["plan", "--date", evil], ["export", "first-pour", "--to", evil], ["log", evil],
    ):  # fmt: skip
        try:
            status = main(words)
        except SystemExit as end:
            status = int(end.code or 0)
        printed = capsys.readouterr()
        assert status in (0, 1, 2)
        assert_plain((printed.out + printed.err).replace("\r\n", "\n"))
        assert printed.out or printed.err or status == 0


def test_text_in_square_brackets_is_text_on_every_screen_and_nothing_is_obeyed(
    hostile_folder: Path, tmp_path: Path
) -> None:
    """The app in a pseudo-terminal of its own: every screen from the start screen, then left."""
    pty = pytest.importorskip("pty", reason="pseudo-terminals are POSIX")
    import select
    import time

    child, terminal = pty.fork()
    if not child:
        os.environ.update(TERM="xterm-256color", COLUMNS="100", LINES="40")
        words = ["-c", "import sys; from coach.cli import main; sys.exit(main(sys.argv[1:]))"]
        os.chdir(ROOT)
        os.execv(
            sys.executable,
            [sys.executable, *words, "--folder", str(hostile_folder), "--silent", "--date", "2026-12-03"],
        )
    seen = b""

    def until(word: bytes, longest_s: float = 30.0) -> None:
        nonlocal seen
        start, deadline = len(seen), time.monotonic() + longest_s
        while word not in seen[start:]:
            assert time.monotonic() < deadline, f"waited for {word!r}: {seen[start:][-3000:]!r}"
            if select.select([terminal], [], [], 0.2)[0]:
                try:
                    seen += os.read(terminal, 1 << 16)
                except OSError:
                    return

    try:
        until(b"minutes planned")
        for key, word in (
            (b"d", b"can't be read"),
            (b"q", b"planned"),
            (b"r", b"practice, "),
            (b"q", b"planned"),
        ):
            if word == b"can't be read":
                os.write(terminal, b"d")
                until(b"Drills")
                os.write(terminal, b"\x1b[H")  # to the first of the list, which is the faulty file
                until(word)
                continue
            os.write(terminal, key)
            until(word)
        os.write(terminal, b",")
        until(b"Settings")
        os.write(terminal, b"q")
        until(b"planned")
        os.write(terminal, b"q")
        until(b"practice log:")
    finally:
        os.close(terminal)
        os.waitpid(child, 0)
    text = seen.decode("utf-8", "replace")
    assert "\x1b]52;" not in text, "the clipboard"
    assert not any(mark in text for mark in ("\x9b", "\x9d", "\u202e", "\u2066", "\x1b]0;", "\x7f"))
    assert "[red]x[/red]" in text, "shown as it is written"


def test_a_screen_draws_no_control_character() -> None:
    canvas = Canvas(300, 1)
    canvas.put(0, 0, EVIL)
    assert_plain("".join(text for text, _ in canvas.rows()[0]))


def test_a_folder_full_of_rubbish_is_told_in_brief_and_practice_goes_on(tmp_path: Path) -> None:
    drills = tmp_path / "drills"
    drills.mkdir()
    for number in range(2_000):
        (drills / f"broken-{number}.yaml").write_text("- a\n" * 20)
    for number in range(20):
        (drills / f"noise-{number}.yaml").write_bytes(os.urandom(1000))
    (drills / "folder.yaml").mkdir()
    (drills / "loop.yaml").symlink_to(drills / "loop.yaml")
    (drills / "dangling.yaml").symlink_to(drills / "nowhere")
    (drills / "huge.yaml").write_bytes(b"a" * 2_000_000)
    if hasattr(os, "mkfifo"):
        os.mkfifo(drills / "pipe.yaml")
    library = load_library(find_places(str(tmp_path)))
    assert {drill.id for drill in library.drills} >= {"first-pour", "small-bells"}, (
        "the built-in ones are there"
    )
    assert len(library.notices) <= 200
    assert any("more files" in notice for notice in library.notices)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with a name are POSIX")
@pytest.mark.parametrize(
    "read",
    [load_drill, load_settings, read_student, read_score, load_answers],
    ids=lambda read: read.__name__,
)
def test_a_pipe_in_a_files_place_is_refused_and_not_waited_for(
    read: Callable[[Path], object], tmp_path: Path
) -> None:
    pipe = tmp_path / "settings.yaml"
    os.mkfifo(pipe)
    with pytest.raises(CoachError, match=r"is not an ordinary file|is a pipe"):
        read(pipe)


@pytest.mark.parametrize(
    "name",
    [
        "../../x",
        "CON",
        "...",
        "-rf",
        "\u202egnp",
        "a" * 5_000,
        "\x1b]0;x\x07",
        ".hidden",
        "con.txt",
        "a/b\\c",
    ],
)
def test_a_title_that_becomes_a_file_name_stays_in_its_folder(name: str, tmp_path: Path) -> None:
    assert main(["new", f"--title={name}", "--folder", str(tmp_path)]) in (0, 1)
    written = [
        path.relative_to(tmp_path / "drills").as_posix() for path in tmp_path.rglob("*") if path.is_file()
    ]
    assert len(written) <= 1
    for path in written:
        assert path.isascii()
        assert len(path) <= 60
        assert path.split(".")[0] not in ("", "con"), "a device's name on some systems"
        assert not path.startswith(("-", "."))
        assert "/" not in path
        load_drill(tmp_path / "drills" / path)


def test_a_zip_is_proven_by_the_standard_reader() -> None:
    """The archives above are real ones: the standard library opens what we refuse."""
    with zipfile.ZipFile(io.BytesIO(zipped([("../../x", b"y")]))) as archive:
        assert archive.namelist() == ["../../x"]


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (["export", " ", "--to", "tab"], 1, "the drill's name is empty (a file, a name, an id or a title)"),
        (["check", ""], 1, "the drill's name is empty"),
        (["serve", "--host", ""], 2, "--host: is empty (127.0.0.1 for this computer, 0.0.0.0 for your network)"),
        (["serve", "--date", "tomorrow"], 2, "--date: 'tomorrow' is not a date (write year-month-day"),
        (["serve", "no-such-drill"], 1, "no-such-drill: there is no such drill file (known: "),
        (["plan", "--minutes", "9" * 400], 2, "9 is outside 1 to 240 minutes"),
        (["tune", "--pair", "E-A"], 2, "--pair: goes with --hear or --listen --from FILE.wav or -o FILE, not with the printed text"),
        (["tune", "--tone", "E"], 2, "--tone: goes with --hear or --listen --from FILE.wav or -o FILE, not with the printed text"),
        (["tune", "--silent", "-o", "x.wav"], 2, "--silent: goes with --hear, not with -o FILE"),
        (["tune", "--json", "--hear"], 2, "--json: goes with the printed text or --listen --from FILE.wav, not with --hear"),
        (["tune", "--pair", "E-A", "--tone", "G", "-o", "x.wav"], 2, "--tone: is one string instead of a pair"),
        (["tune", "--hear", "-o", "x.wav"], 2, "--hear: does not go with -o FILE; choose one of the two"),
        (["tune", "--cents", "5"], 2, "--cents: goes with --hear or -o FILE, not with the printed text"),
        (["log", "correct", "ABCDEF", "clean", "3"], 1, "clean is the whole repetition, found 'clean 3' (clean alone?)"),
        (["log", "correct", "ABCDEF", "choked", "2", "lift", "pluck"], 1, "lift and pluck are two causes, expected one for each mark"),
        (["log", "correct", "ABCDEF", "chocked", "2"], 1, "unrated, or void (choked?)"),
        (["--versoin"], 2, "did you mean coach --version?"),
        (["assign", "first-pour", "--to", "Bo", "-o", "bo"], 2, "bo: a drill's file ends in .yaml (-o bo.yaml)"),
        (["log", "rename", " "], 2, "NAME: a name has 1 to 60 letters; this one has 0"),
    ],
)  # fmt: skip
def test_a_slip_on_the_command_line_is_a_sentence_before_anything_starts(
    words: list[str],
    status: int,
    sentence: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "progress").mkdir()
    with Log.open(tmp_path / "progress" / "log", "Mia", now_ms=NOON) as log:
        log.send((rep_at(log), PASSAGE))
    assert main(words) == status
    assert sentence in capsys.readouterr().err


def test_the_page_of_a_student_in_an_empty_class_says_that_it_is_empty(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["roster", str(tmp_path), "--folder", str(tmp_path), "--student", "Nobody"]) == 0
    assert "no assignments and no replies yet" in capsys.readouterr().out
