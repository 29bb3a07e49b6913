"""The teacher's class: whose a reply is, what each student needs, and the overview's pages."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from coach.cli import main
from coach.ground.plain import json_text
from coach.ground.table_csv import BYTE_ORDER_MARK
from coach.report.advice import needs
from coach.report.classroom import Classroom, make_class, read_class
from coach.report.handed import Handed, remember
from coach.report.inbox import StudentFile, read_student
from coach.report.overview import chosen, class_csv, class_facts
from coach.report.overview_lines import class_lines, student_lines
from coach.report.overview_page import class_page
from coach.report.reply import (
    DayReply,
    DrillReply,
    ForecastReply,
    InstrumentReply,
    NoteReply,
    PhraseReply,
    PlaceReply,
    Reply,
    StudentReply,
    TaskReply,
    TotalReply,
    digest,
    reply_text,
)
from coach.report.work import Work

TODAY = date(2026, 12, 10)
HANDED_ON = date(2026, 11, 26)
BASS = InstrumentReply("", ("G2", "D2", "A1", "E1"), (864.0, 864.0, 864.0, 864.0))
PHRASE = PhraseReply(
    "p", "P", "together", True, 80, 60, 55.0, 70.0, 0.4, 58, None, False, None, 40, TODAY, "r1", "r1"
)
UNBEGUN = replace(PHRASE, phrase="q", name="Q", rung_bpm=None, reps=0, last=None, practised="")
LANDED = replace(PHRASE, landed=date(2026, 12, 1), rung_bpm=80)
FINE = tuple(PlaceReply(f"G2|1/{n}", 0.95, 70.0, 90.0, 0, 8, 2, 60, {"choked": 2}) for n in (2, 3, 4))
BAD_NODE = PlaceReply("D2|1/6", 0.1, 30.0, 44.0, 4, 8, 24, 60, {"choked": 24, "lift": 15})
BAD_MOVE = replace(BAD_NODE, key="G2|1/3>G2|1/4", marked={"late": 24})
WELL = ForecastReply(date(2026, 12, 12), date(2026, 12, 16), date(2026, 12, 20), 9, 15.0, 5.0)


def practised(*ago: int, rated: int = 12, clean: int = 7) -> tuple[DayReply, ...]:
    """Practice days so many days before today's."""
    days = sorted(TODAY - timedelta(days=each) for each in ago)
    return tuple(DayReply(day, 15.0, rated, rated, clean, 4, 2, 55) for day in days)


def drill_of(student: str = "Mia", task: str = "", drill_id: str = "d", **more: Any) -> DrillReply:
    days = more.pop("days", practised(1, 3, 4, 6, 8, 9, 11, 12))
    sums = sum(day.rated for day in days), sum(day.clean for day in days)
    ends = (days[0].day, days[-1].day) if days else (None, None)
    facts: dict[str, Any] = {
        "id": drill_id,
        "revision": "r",
        "title": "D",
        "instrument": BASS,
        "goal_bpm": 80,
        "assignment": TaskReply(task or f"task {student} {drill_id}", student, "", 80, None, ""),
        "phrases": (PHRASE,),
        "nodes": FINE,
        "moves": (),
        "held": (1, 200),
        "days": days,
        "total": TotalReply(len(days), *ends, 15.0 * len(days), sums[0], *sums),
        "marked": {},
        "entered": 0.0,
        "forecast": WELL,
    }
    return DrillReply(**{**facts, **more})


def file_of(name: str, *drills: DrillReply, day: date = TODAY, player: str = "", **more: Any) -> StudentFile:
    who = StudentReply(player or f"id-{name}", name)
    notes = more.pop("notes", ())
    reply = Reply(f"{day}T12:00:00+00:00", day, who, drills or (drill_of(name),), notes)
    return StudentFile(more.pop("path", f"{name}.json"), reply, more.pop("edited", False))


def handed_to(
    *names: str, day: date = HANDED_ON, due: date | None = date(2026, 12, 24), drill: str = "d", **more: Any
) -> list[Handed]:
    more = {"phrases": {"p": "r1"}, **more}
    return [Handed(day, name, drill, "D", f"task {name} {drill}", 80, due, **more) for name in names]


def work_of(classroom: Classroom, name: str = "Mia") -> Work:
    (student,) = (one for one in classroom.students if one.name == name)
    return student.work[0]


def told(classroom: Classroom) -> str:
    return "\n".join(" ".join(line.split()) for line in class_lines(classroom))


@pytest.mark.parametrize(
    ("more", "what", "why"),
    [
        ({}, "nothing new: going well", "60 of 80 bpm, 0 of 1 phrase landed, 0 kept"),
        ({"phrases": (LANDED,)}, "the next drill, or a faster goal", "every phrase landed, 0 of 1 kept"),
        (
            {"phrases": (LANDED,), "days": practised(1, 2, rated=14)},
            "shorter sessions on more days",
            "practised on 2 of 15 days",
        ),
        ({"days": ()}, "talk before assigning more", "not practised in 15 days"),
        ({"days": practised(1, 2, rated=4, clean=2)}, "shorter sessions", "practised on 2 of 15 days"),
        (
            {"days": practised(9, 10, 11, 12, 13)},
            "shorter sessions on more days",
            "practised on 5 of 15 days before the reply; not from 1 Dec to 10 Dec",
        ),
        (
            {"nodes": (*FINE, BAD_NODE)},
            "3.2 on D2 alone",
            "failed in 24 of 60 in four weeks (choked 24); expected clean, cold, at 30 to 44 bpm (80 % sure), "
            "the goal is 80; lift 15: let the string go as soon as it is plucked",
        ),
        ({"moves": (BAD_MOVE,)}, "the move 7 on G2 to 5 on G2", "failed in 24 of 60 in four weeks (late 24)"),
        ({"held": (40, 200)}, "the held notes, slower", "failed in 40 of 200 in four weeks"),
        (
            {"days": practised(*range(1, 13, 2), rated=20, clean=20), "entered": 1.0},
            "hear this once with them",
            "nothing is ever marked: 0 of 120 rated repetitions failed; usually two of five do; 100 % entered",
        ),
        (
            {"days": practised(*range(1, 13, 2), rated=40, clean=39)},
            "hear this once with them",
            "hardly anything is marked: 6 of 240",
        ),
        ({"phrases": (replace(PHRASE, revision="r2"),)}, "look at their copy", "not as you handed it out: P"),
        ({"phrases": (UNBEGUN,)}, "look at their copy", "missing: p"),
        (
            {"forecast": replace(WELL, likely=None, late=None)},
            "a goal near 60 bpm first, or a later date",
            "due on 24 Dec, not at this rate, on 12 Dec at the earliest; 5 days a week",
        ),
    ],
)
def test_what_a_student_needs_first_follows_from_the_reply_and_names_its_evidence(
    more: dict[str, Any], what: str, why: str
) -> None:
    classroom = make_class([file_of("Mia", drill_of(**more))], handed_to("Mia"), TODAY)
    first = needs(work_of(classroom))[0]
    assert what in first.what
    assert why in first.why


def test_of_parts_that_were_asked_for_it_says_that_all_of_them_landed() -> None:
    own = handed_to("Mia", parts=("3.2 on D2 at 50",), phrases={})
    first, *_ = needs(work_of(make_class([file_of("Mia", drill_of(phrases=(LANDED,)))], own, TODAY)))
    assert first.in_short == "the next drill, or a faster goal: all that was asked for landed, 0 of 1 kept"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--student", "Mira"), "--student: found 'Mira', expected one of Bo and Mia (did you mean Mia?)"),
        (("--student", "Mia", "Zoe"), "--student: found 'Zoe', expected one of Bo and Mia"),
        (("--drill", "E"), "--drill: found 'E', expected one of D"),
        (("--need", "move"), "no student in the class matches all of what is asked for"),
    ],
)
def test_who_or_what_is_not_in_the_class_is_told_with_what_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str
) -> None:
    (tmp_path / "replies").mkdir()
    remember(tmp_path, handed_to("Mia", "Bo"))
    asked = ["roster", str(tmp_path / "replies"), "--folder", str(tmp_path), "--date", str(HANDED_ON)]
    assert main([*asked, *words]) == 1
    assert message in capsys.readouterr().err


def test_a_student_page_tells_what_was_tested_from_what_is_only_likely_kept() -> None:
    tested = replace(LANDED, phrase="q", name="Q", kept=True, tested=date(2026, 12, 9))
    drill = drill_of(phrases=(replace(LANDED, kept=True), tested))
    classroom = make_class([file_of("Mia", drill)], handed_to("Mia", phrases={"p": "r1", "q": "r1"}), TODAY)
    lines = [line.split() for line in student_lines(classroom.students[0], classroom)]
    assert ["P", *["80", "of", "80", "1", "Dec", "likely"]] in lines
    assert ["Q", *["80", "of", "80", "1", "Dec", "9", "Dec"]] in lines


def test_a_need_that_there_is_not_is_told_with_the_likely_slip(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["roster", "replies", "--need", "nodes"])
    told = capsys.readouterr().err
    assert "invalid choice: 'nodes'" in told
    assert told.endswith("(did you mean node?)\n")


def test_silence_is_told_as_no_news_and_never_hides_a_choke() -> None:
    drill = drill_of(nodes=(*FINE, BAD_NODE))
    classroom = make_class([file_of("Mia", drill)], handed_to("Mia", "Bo"), TODAY + timedelta(days=12))
    page = told(classroom)
    assert "Mia: 3.2 on D2 alone: failed in 24 of 60 in four weeks (news of 10 Dec, 12 days old)" in " ".join(
        page.split()
    )
    assert "Bo: no news since it was handed out on 26 Nov" in page
    assert "Mia: news of 10 Dec, 12 days old" in page
    assert "not practised" not in page


def test_of_a_student_without_a_reply_a_page_says_so_once_in_each_place() -> None:
    classroom = make_class([], handed_to("Bo"), TODAY + timedelta(days=12))
    told_once = "no news since it was handed out on 26 Nov"
    first, own = re.split('<section class="student', class_page(classroom))
    row = re.search(r"<tr.*?Bo.*?</tr>", first, re.DOTALL)
    assert own.replace("\u00a0", " ").count(told_once) == 1
    assert row is not None
    assert "no news" not in row[0]
    assert ">none<" in row[0]


def test_nobody_is_called_well_above_a_node_that_fails() -> None:
    """Twelve repetitions are too few for advice; that a node failed in them stands in the row."""
    few = drill_of(total=replace(drill_of().total, rated=12, clean=8, days=1), nodes=(BAD_NODE,))
    page = told(make_class([file_of("Mia", few)], handed_to("Mia"), TODAY))
    assert "3.2 on D2 failed in 24 of 60" in " ".join(page.split())
    assert "Nobody needs help" not in page
    assert "Nothing urgent so far; some have played too little to tell." in page


def test_a_reply_of_the_day_of_a_new_file_is_not_said_to_be_still_on_the_old_one() -> None:
    first, again = (replace(handed_to("Mia")[0], id=one, day=TODAY - timedelta(days=1)) for one in "ab")
    for replied, still in ((TODAY - timedelta(days=1), False), (TODAY, True)):
        page = told(make_class([file_of("Mia", drill_of(task="a"), day=replied)], [first, again], TODAY))
        assert ("still practises what you assigned on 9 Dec 2026" in " ".join(page.split())) is still


def test_every_row_says_how_old_its_news_is() -> None:
    classroom = make_class(
        [
            file_of(
                "Mia",
                drill_of(phrases=(replace(PHRASE, last=None),), days=practised(4, 5)),
                day=TODAY - timedelta(days=3),
            )
        ],
        handed_to("Mia", "Bo"),
        TODAY,
    )
    rows = class_facts(classroom)["rows"]
    assert {row["student"]: row["news_days"] for row in rows} == {"Mia": 3, "Bo": None}
    assert "news of 7 Dec, 3 days old" in told(classroom)


def test_a_node_that_fails_of_late_needs_no_ten_results_and_the_least_likely_comes_first() -> None:
    late = PlaceReply("G2|2/5", 0.09, 30.0, 44.0, 4, 8, 5, 9, {"choked": 5})
    long_ago = PlaceReply("G2|1/4", 0.38, 40.0, 60.0, 1, 8, 6, 20, {"choked": 6})
    report = file_of("Mia", drill_of(nodes=(*FINE[:2], long_ago, late)))
    told = needs(work_of(make_class([report], handed_to("Mia"), TODAY)))
    assert [need.subject for need in told if need.kind == "node"] == [late.key, long_ago.key]


def test_a_row_says_nothing_twice_and_counts_the_days_since_the_hand_out() -> None:
    classroom = make_class([file_of("Mia")], handed_to("Mia", "Bo", day=TODAY), TODAY)
    page = told(classroom)
    assert page.endswith("next: nothing new: going well")
    assert page.count("60 of 80 bpm") == 1
    assert page.count("Bo: D, due 24 Dec") == page.count("next: wait for a reply\n") == 1
    before = file_of("Mia", drill_of(days=practised(4, 5)), day=TODAY - timedelta(days=2))
    early = make_class([before], handed_to("Mia", day=TODAY), TODAY)
    lines = list(student_lines(early.students[0], early))
    assert "  not practised on the day of the reply; 30 min on 2 days in all" in lines


def test_a_layer_that_is_played_together_asks_for_no_practice_alone() -> None:
    alone = replace(PHRASE, layer="harmonics", top=False, rung_bpm=27)
    classroom = make_class([file_of("Mia", drill_of(phrases=(PHRASE, alone)))], [], TODAY)
    assert [need.kind for need in needs(work_of(classroom))] == ["well"]
    apart = drill_of(phrases=(replace(PHRASE, rung_bpm=None), alone))
    classroom = make_class([file_of("Mia", apart)], [], TODAY)
    assert "P, harmonics alone" in [need.what for need in needs(work_of(classroom))]


def test_a_retitled_drill_and_two_machines_are_one_row() -> None:
    one = file_of("Mia", drill_of(title="D"), player="A", path="a.json")
    other = file_of("Mia", drill_of(title="My D", days=practised(2, 5)), player="B", path="b.json")
    classroom = make_class([one, other], handed_to("Mia"), TODAY)
    ((student,), work) = classroom.students, work_of(classroom)
    assert (student.name, work.title, work.drill and work.drill.total.days) == ("Mia", "D", 10)
    assert "put together from 2 machines" in work.remarks


def test_of_two_replies_of_one_machine_the_newer_counts_and_of_one_log_no_day_counts_twice() -> None:
    old = file_of("Mia", drill_of(days=practised(8, 9)), day=TODAY - timedelta(days=5), path="old.json")
    classroom = make_class([old, file_of("Mia")], handed_to("Mia"), TODAY)
    drill = work_of(classroom).drill
    assert classroom.folded == 1
    assert drill is not None
    assert drill.total.days == 8
    same = replace(file_of("Mia", player="other"), path="same.json")
    drill = work_of(make_class([file_of("Mia"), same], handed_to("Mia"), TODAY)).drill
    assert drill is not None
    assert (drill.total.days, drill.total.reps) == (8, 96)


def test_a_reply_in_somebody_elses_name_changes_no_row_but_its_own_and_is_told() -> None:
    mine = file_of("Mia", drill_of(nodes=FINE))
    forged = file_of("Mia", drill_of(task="none", nodes=(*FINE, BAD_NODE)), player="01XYZ", path="x.json")
    lent = file_of("Bo", drill_of("Mia"), path="lent.json")
    alone = make_class([mine], handed_to("Mia"), TODAY)
    classroom = make_class([mine, forged, lent], handed_to("Mia"), TODAY)
    assert work_of(classroom) == work_of(alone)
    assert {one.name for one in classroom.students} == {"Mia", "Mia (1XYZ)", "Bo"}
    assert "has Mia's name, but none of their assignments or ids" in told(classroom)
    assert "uses Mia's file" in told(classroom)


def test_a_reply_from_the_future_is_left_out_and_told(tmp_path: Path) -> None:
    inbox = tmp_path / "replies"
    inbox.mkdir()
    remember(tmp_path, handed_to("Mia"))
    for file in (file_of("Mia"), file_of("Mia", day=date(2031, 1, 1), path="late.json")):
        (inbox / file.path).write_text(reply_text(file.reply))
    classroom = read_class(inbox, tmp_path, TODAY)
    assert work_of(classroom).reply_day == TODAY
    (problem,) = classroom.problems
    assert "late.json: is dated 1 Jan 2031, in the future: left out" in str(problem)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda drill: drill.update(nodes=drill["nodes"] * 1000), "nodes are more than 1,000"),
        (lambda drill: drill["days"][0].update(day="2030-01-01"), "it reports a day later than its own"),
        (lambda drill: drill["days"][0].update(clean=99), "99 of 12 rated repetitions can't be"),
        (lambda drill: drill.update(held=[5, 2]), "5 of 2 held notes can't be"),
        (lambda drill: drill.update(days=drill["days"] * 2), "a day is in it twice"),
    ],
)
def test_what_can_not_be_true_is_refused_with_a_sentence(tmp_path: Path, change: Any, message: str) -> None:
    body = json.loads(reply_text(file_of("Mia").reply))
    change(body["drills"][0])
    body["sha256"] = digest(body)
    path = tmp_path / "mia.json"
    path.write_text(json_text(body))
    with pytest.raises(Exception, match="has errors") as refused:
        read_student(path)
    assert message in str(refused.value)


def test_a_node_that_fails_with_several_is_named_for_all_and_strangers_do_not_count() -> None:
    bad = [file_of(name, drill_of(name, nodes=(*FINE, BAD_NODE))) for name in ("Ana", "Bo", "Cy")]
    well = [file_of("Dee", drill_of("Dee", nodes=(*FINE, replace(BAD_NODE, recent_failed=1))))]
    stranger = [file_of("Zed", drill_of("Zed", task="none", nodes=(*FINE, BAD_NODE)))]
    classroom = make_class([*bad, *well, *stranger], handed_to("Ana", "Bo", "Cy", "Dee"), TODAY)
    assert "3.2 on D2: fails for 3 of 4 (Ana, Bo and Cy)" in told(classroom)


def test_the_student_page_has_what_was_assigned_and_when_and_words_of_both() -> None:
    handed = [
        *handed_to("Mia", note="How is the thumb?"),
        *handed_to("Mia", drill="e", day=date(2026, 12, 7), parts=("window at 60",)),
    ]
    notes = (NoteReply(date(2026, 12, 1), "better"),)
    classroom = make_class([file_of("Mia", notes=notes)], handed, TODAY)
    lines = [line.strip() for line in student_lines(classroom.students[0], classroom)]
    assert "26 Nov: D, 80 bpm by 24 Dec" in lines
    assert "7 Dec: D, window at 60 by 24 Dec" in lines
    assert lines.index('26 Nov, you: "How is the thumb?"') < lines.index('1 Dec, Mia: "better"')


def test_the_page_needs_no_script_shows_names_as_text_and_filters_by_style() -> None:
    evil = "=1+<script>alert(1)</script>"
    classroom = make_class([file_of(evil, drill_of(evil, title=evil))], [], TODAY)
    page = class_page(classroom)
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")
    assert "body:has(option.s0:checked) .filtered:not(.s0) { display: none; }" in page
    assert "3.2 on" not in page
    text = class_csv(classroom)
    # RFC 3629, 6: the byte order mark is what tells a spreadsheet that a file is UTF-8.
    assert text.encode()[:3] == b"\xef\xbb\xbf"
    (row,) = csv.DictReader(io.StringIO(text.removeprefix(BYTE_ORDER_MARK), newline=""))
    assert row["student"] == f"'{evil}"


def test_no_date_is_broken_at_the_end_of_a_line_and_eighty_columns_hold_all() -> None:
    names = [f"{'M' * at} Long" for at in range(1, 60)]
    files = [file_of(name, drill_of(name, nodes=(*FINE, BAD_NODE)), day=date(2026, 12, 8)) for name in names]
    lines = class_lines(make_class(files, handed_to(*names), TODAY))
    assert max(map(len, lines)) <= 80
    assert not [line for line in lines if re.search(r"(news of|due|by) \d+$", line)]
    assert "8\u00a0Dec" in class_page(make_class(files[:1], handed_to(*names[:1]), TODAY))


def test_the_class_can_be_filtered_by_student_drill_and_need() -> None:
    files = [file_of("Ana", drill_of("Ana", nodes=(*FINE, BAD_NODE))), file_of("Bo")]
    classroom = make_class(files, [*handed_to("Ana", "Bo"), *handed_to("Bo", drill="e")], TODAY)
    assert [one.name for one in chosen(classroom, need="node").students] == ["Ana"]
    assert [one.name for one in chosen(classroom, drill="E").students] == ["Bo"]
    assert [len(one.work) for one in chosen(classroom, students=["bo"]).students] == [2]


def test_a_student_who_was_handed_nothing_of_late_is_no_longer_of_the_class() -> None:
    old = handed_to("Mia", day=TODAY - timedelta(days=200))
    assert [one.name for one in make_class([], [*old, *handed_to("Bo")], TODAY).students] == ["Bo"]


def test_what_failed_so_far_and_why_is_told_before_there_is_enough_to_advise() -> None:
    node = replace(BAD_NODE, recent_failed=8, recent=22, marked={"choked": 8, "lift": 7})
    drill = drill_of(days=practised(1, rated=22, clean=14), nodes=(node,))
    classroom = make_class([file_of("Mia", drill)], handed_to("Mia", day=TODAY - timedelta(days=2)), TODAY)
    told = "3.2 on D2 failed in 8 of 22, mostly lift"
    assert needs(work_of(classroom))[0].why == f"22 rated repetitions on 1 day; in four weeks {told}"
    assert told in " ".join(" ".join(student_lines(classroom.students[0], classroom)).split())


def test_the_page_draws_tempos_as_played_with_goal_and_rung_of_the_phrase_furthest_behind() -> None:
    parts = (replace(PHRASE, name="Window", rung_bpm=38, goal_bpm=60), replace(LANDED, goal_bpm=50))
    days = (DayReply(TODAY, 0.4, 9, 9, 5, 4, 2, 44),)
    classroom = make_class([file_of("Mia", drill_of(phrases=parts, days=days))], handed_to("Mia"), TODAY)
    page, row = class_page(classroom), class_facts(classroom)["rows"][0]
    assert (row["rung_bpm"], row["goal_bpm"], row["furthest_behind"]) == (38, 60, "Window")
    assert set(re.findall(r">goal (\d+)</text>", page)) == {"60"}
    assert re.findall(r"10\sDec: (\d+)\sbpm</title>", page) == ["44"]
    assert re.search(r">1</text>", page), "less than a minute has more than 0 on its axis"


def test_a_folder_without_replies_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    inbox = tmp_path / "drills"
    inbox.mkdir()
    assert main(["roster", str(inbox), "--folder", str(tmp_path)]) == 0
    assert f"{inbox}: no replies are in this folder" in capsys.readouterr().err.replace("\n", " ")
