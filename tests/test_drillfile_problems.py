"""Every problem of a drill file is found at once, at its place, with what is allowed and the likely slip."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from coach.ground.problem import CoachError, Problem
from coach.score.limits import MAX_BYTES
from coach.score.load import load_drill, read_drill

GOOD = """drill: 1
title: A Test
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 44, goal: 76}
phrases:
  - name: one
    bars:
      - bass: 1 E:0 for 4
        harmonics: 1 G:<7>, 3 D:<5>
"""


def problems_of(text: str) -> list[Problem]:
    return read_drill(text, "test.yaml")[1]


def only(text: str) -> Problem:
    problems = problems_of(text)
    assert len(problems) == 1, "\n".join(str(problem) for problem in problems)
    return problems[0]


@pytest.mark.parametrize(
    ("before", "guess"),
    [
        ("instrument", "did you mean `order`?"),
        ("    bars", "top of the file"),
        ("        harmonics", "`times`"),
    ],
)
def test_a_repeat_in_the_wrong_place_names_the_right_one(before: str, guess: str) -> None:
    indent = before[: len(before) - len(before.lstrip())]
    problem = only(GOOD.replace(f"{before}:", f"{indent}repeat: 2\n{before}:"))
    assert guess in problem.guess


def test_the_good_one_is_good() -> None:
    assert problems_of(GOOD) == []


@pytest.mark.parametrize(
    ("events", "column", "message", "guess"),
    [
        ("1 G:<6.5>", 25, "not a node up to partial 9; nearest: 5.8 (partial 7), 7 (partial 3)", ""),
        ("1 G:<3>", 25, "may be 3.2 (partial 6, D5) or 2.7 (partial 7, F5)", "G:<3.2>, or G:<3>=D5"),
        ("1 G:<3>=D4", 25, "none of them sounds D4", ""),
        ("1 G:<4>=B3", 25, "sounds B4 (partial 5, -14 cents), not B3", "another octave"),
        ("1 G:<4>=G4", 25, "not G4", "did you mean G:<5>?"),
        ("1 G:5=D3", 24, "sounds C3, not D3", "did you mean G:7?"),
        ("1 G <7>", 22, "has no colon", "did you mean G:<7>?"),
        ("1 <7>", 22, "has no string", "as in D:<7>"),
        ("1 E3 for 4", 22, "has no colon", "E:3, or E:<3> for a harmonic"),
        ("1 G12", 22, "has no colon", "G:12, or G:<12> for a harmonic"),
        ("1 G:‹7›", 24, "is not a fret", "did you mean G:<7>?"),
        ("1 D‹7›", 22, "written in < >", "did you mean D:<7>?"),
        ("1 G:(7)", 22, "written in < >", "did you mean G:<7>?"),
        ("1 G:<3,2>", 25, "is not a position", "did you mean <3.2>?"),
        ("1 G:3.2", 24, "is not a fret", "a harmonic? then write G:<3.2>"),
        ("1 G:40", 24, "fret 40 is outside 0 to 36", ""),
        ("1 G:<0>", 25, "the nut", "did you mean G:0?"),
        ("1 G:<1/40>", 25, "n from 2 to 32", ""),
        ("1 g:<5>", 22, "no string 'g'; the strings are 1=G2 2=D2 3=A1 4=E1", "did you mean G?"),
        ("1 G3:<5>", 22, "no string 'G3'", "this instrument's G is G2"),
        ("1 7:<5>", 22, "no string '7'", ""),
        ("1 G:<7>=H4", 25, "'H4' is not a note", "did you mean B4?"),
        ("G:<7> 1", 20, "is where the beat belongs", "the beat comes first: `1 G:<7>`?"),
        ("1 G:<7> 2 G:<5>", 28, "put a comma between events", "a comma missing before `2`?"),
        ("1 G:<7>,, 2 G:<5>", 28, "an event is missing", "one comma is enough"),
        ("1 & G:<7>", 20, "'1 &' is not a beat", "no space in 1&"),
        ("2+ G:<7>", 20, "'2+' is not a beat", "did you mean 2&?"),
        ("0 G:<7>", 20, "no beat 0", ""),
        ("5 G:<7>", 20, "past the end of the bar; 4/4 has beats 1 to 4", "next bar?"),
        ("25 G:<7>", 20, "past the end of the bar", "did you mean 2.5"),
        ("2 G:<7>, 1 D:<5>", 29, "beat 1 comes after beat 2", "order of their beats"),
        ("1 G:<7>, 1 D:<5>", 29, "beat 1 is given twice", "join notes played together with +"),
        ("1 G:<7>+G:<5>", 28, "played twice at once", "one note at a time per string"),
        ("1 E:<7>", 20, "also played by bass at beat 1", "another string?"),
        ("1 G:<7> for two", 32, "'two' is not a number of beats", "`for` is followed by"),
        ("1G:<7>", 20, "a beat and a note in one", "a space after the beat: 1 G:<7>"),
        ("1 G:<7> fro 2", 28, "'fro' follows a note", "did you mean `for`?"),
        ("1 G:<7>; 3 D:<7>", 27, "a comma parts events", "did you mean a comma?"),
        ("1 G:<3.2", 22, "the < is never closed", "did you mean G:<3.2>?"),
        ("1 G:55", 24, "fret 55 is outside 0 to 36", "did you mean 5?"),
        ("1 B:0, 2 B:3", 22, "there is no string 'B'", "is it missing in `strings` under `instrument`?"),
        ("1 G:<7> hold 2", 28, "'hold' follows a note", "`for` or `ring`?"),
        ("1 G:<7> | D:<7>", 22, "need `in` and the beats that they fill", "in 1"),
        ("1 G:<7>(9)", 27, "is not a finger", ""),
        ("1 G:5(touch)", 24, "`touch` is for harmonics", "did you mean G:<5>?"),
        ("1", 20, "beat 1 has no note", "as in `1 E:0`"),
        ("yes", 20, "'yes' is not a beat", ""),
    ],
)
def test_a_slip_in_an_event_is_explained_at_its_column(
    events: str, column: int, message: str, guess: str
) -> None:
    problem = only(GOOD.replace("1 G:<7>, 3 D:<5>", events))
    assert (problem.line, problem.column) == (10, column)
    assert message in problem.message
    assert guess in problem.guess


@pytest.mark.parametrize(
    ("right", "slip", "place", "message", "guess"),
    [
        ("meter: 4/4", "meter: 6:8", (4, 8), "'6:8' is not a meter", "did you mean 6/8?"),
        ("meter: 4/4", "meter: 6/9", (4, 8), "the lower number is 1, 2, 4, 8, 16 or 32", ""),
        ("meter: 4/4", "meter: 4/0 in 2", (4, 8), "meter 4/0: the lower number is 1, 2, 4, 8, 16 or 32", ""),
        ("meter: 4/4", "meter: 7/8 in 2+2+2", (4, 8), "2+2+2 adds up to 6, not 7", ""),
        ("meter: 4/4", "meter: 4/4\nkey: Ebm", (5, 6), "'Ebm' is not a key", "did you mean Eb minor?"),
        ("meter: 4/4", "meter: 4/4\nkey: 3 flats", (5, 6), "'3 flats' is not a key", ""),
        ("meter: 4/4", "meter: 4/4\nkey: G# major", (5, 6), "at most seven sharps or flats", ""),
        ("meter: 4/4", "metre: 4/4", (4, 1), "`metre` is not a key here", "did you mean `meter`?"),
        ("meter: 4/4", "scale_mm: 3\nmeter: 4/4", (4, 1), "not a key here", "belongs under `instrument`"),
        ("goal: 76", "goal: 40", (5, 26), "the goal, 40 bpm, is below the start, 44 bpm", "swapped?"),
        ("goal: 76", "goal: 760", (5, 26), "760 is outside 20 to 300 bpm", "one zero too many?"),
        ("goal: 76", "goal: 76 bpm", (5, 26), "is not a whole number", "write 76 without the unit"),
        ("goal: 76", "goal: 76, goal: 80", (5, 30), "`goal` is given twice; it is already on line 5", "delete one"),
        (", goal: 76", "", (5, 8), "`goal` is missing", "the tempo to reach"),
        ("scale_mm: 864", "scale_mm: 34", (3, 51), "34 is outside 100 to 2000 mm", "in mm: 863.6"),
        ("G2, D2", "G, D2", (3, 24), "'G' is not a note", "which octave? G2, say"),
        ("title: A Test", "title:", (2, 7), "nothing follows this key", ""),
        ("title: A Test", 'title: "\\e[31mA"', (2, 8), "the control character U+001B", "leave it out"),
        ("title: A Test", "title: &x A", (2, 8), "a YAML anchor", ""),
        ("title: A Test", "title: *x", (2, 8), "a YAML alias", "in quotes"),
        ("title: A Test", "title: !x A", (2, 8), "a YAML tag", "in quotes"),
        ("title: A Test", "title: 'A Test", (2, 8), "this quotation mark is never closed", "closing one"),
        ("title: A Test", "title:A Test", (2, 1), "not `key: value`", "the space after it?"),
        ("title: A Test", "title: A: Test", (2, 9), "has one too many", "in quotes"),
        ("drill: 1", "drill: 2", (1, 8), "version 2 of the format", "newer version of the program"),
        ("drill: 1", "drill: one", (1, 8), "'one' is not a version", "write `drill: 1`"),
        ("harmonics: 1 G", "harmonics: 1 G: 0, 2 G", (10, 23), "a colon and a space", "no space in `G:0`"),
        ("harmonics: 1 G", "harmonics: & G", (10, 21), "means something else to YAML", "`1&`"),
        ("harmonics: 1 G", "\tharmonics: 1 G", (10, 9), "with a tab", "spaces"),
        ("harmonics", "together", (10, 9), "no layer can be called `together`", ""),
        ("harmonics", "a:b", (10, 9), "is not a name for a layer", ""),
        ("harmonics: 1 G:<7>, 3 D:<5>", "cu: lift", (10, 9), "looks like a layer", "did you mean `cue`?"),
        ("harmonics: 1 G:<7>, 3 D:<5>", "name: two", (10, 9), "belongs in the phrase", "indentation"),
        ("harmonics: 1 G:<7>, 3 D:<5>", "pickup: 4", (10, 17), "no fewer than a bar of 4/4 has", "leave it out"),
        ("harmonics: 1 G:<7>, 3 D:<5>", "ends_after: 4", (10, 21), "no fewer than a bar of 4/4 has", "leave it out"),
        ("harmonics: 1 G:<7>, 3 D:<5>", "pickup: 1\n        ends_after: 2", (11, 21), "not both", "`meter` of its own"),
        ("harmonics: 1 G:<7>, 3 D:<5>", "ends_after: 2\n        times: 2", (10, 21), "several `times`", "by itself"),
        ("harmonics: 1 G:<7>, 3 D:<5>", "ends_after: 2\n      - bass: 1 E:0", (10, 21), "last bar", "new phrase"),
        ("bass: 1 E:0 for 4", "ends_after: 2", (10, 29), "which ends after 2 beats", "next phrase's pick-up"),
        ("- name: one", "- name: one\n    first_bar: -1", (8, 16), "-1 is outside 0 to 9999", ""),
        ("harmonics: 1 G:<7>, 3 D:<5>", "tempo: 80", (10, 16), "not a change of tempo", "write 80%"),
        ("harmonics: 1 G:<7>, 3 D:<5>", "times: 0", (10, 16), "0 is outside 1 to 99", ""),
        ("phrases:", "order: one, tow\nphrases:", (6, 13), "there is no phrase 'tow'", ""),
        ("phrases:", "order: (one\nphrases:", (6, 11), "a ( is never closed", ""),
        ("phrases:", "assignment: {due: 24.12.2026}\nphrases:", (6, 19), "is not a day", "2026-12-24?"),
        ("phrases:", "assignment: {due: 2026-02-30}\nphrases:", (6, 19), "not a day of the calendar", ""),
        ("phrases:", "click: {placing: beats}\nphrases:", (6, 18), "none of beat, bar, offbeat", "did you mean beat?"),
        ("phrases:", "count_in: 9\nphrases:", (6, 11), "9 is outside 1 to 4 bars", ""),
        ("phrases:", "id: A Test\nphrases:", (6, 5), "'A Test' is not an id", "did you mean a-test?"),
    ],
)  # fmt: skip
def test_a_slip_in_a_key_or_value_is_explained_at_its_place(
    right: str, slip: str, place: tuple[int, int], message: str, guess: str
) -> None:
    text = GOOD.replace(right, slip, 1)
    assert text != GOOD
    problem = only(text)
    assert (problem.line, problem.column) == place
    assert message in problem.message
    assert guess in problem.guess


@pytest.mark.parametrize(
    ("right", "slip", "line", "message", "guess"),
    [
        ("        harm", "       harm", 10, "starts in column 8", "column 9, as `bass` on line 9?"),
        (
            "        harm",
            "          harm",
            10,
            "under line 9, which already has a value",
            "column 9, as `bass`",
        ),
        ("        harm", "      harm", 10, "the column of a list's dashes", "`- harmonics:`, or column 9"),
        (
            "    bars",
            "     bars",
            8,
            "under line 7, which already has a value",
            "column 5, as `name` on line 7?",
        ),
        (
            " - bass",
            "- bass",
            10,
            "under line 9, which already has a value",
            "column 8, as `bass` on line 9?",
        ),
        ("- bass", "-bass", 10, "indented under one that is not a key", "the dash on line 9: `- bass:`?"),
        ("title", " title", 2, "under line 1, which already has a value", "column 1, as `drill` on line 1?"),
        ("phrases:\n  - n", "phrases: - n", 6, "no list can start here", "on a line of its own"),
        ("D2, A1", "D2,, A1", 3, "a value is missing here", "one comma too many?"),
        ("A1, E1]", "A1, E1", 3, "closing `]` is missing", "as in [G2, D2, A1, E1]"),
        ("title: A Test", 'title: "A" Test', 2, "after the closing quotation mark", "around all of it"),
        ("title: A Test", "title: > A Test", 2, "the text starts on the next line", "in quotes"),
    ],
)
def test_a_slip_in_indentation_or_brackets_names_the_column_or_sign_that_was_meant(
    right: str, slip: str, line: int, message: str, guess: str
) -> None:
    text = GOOD.replace(right, slip, 1)
    problem = only(text)
    assert problem.line == line
    assert message in problem.message
    assert guess in problem.guess
    assert "indicator" not in problem.message


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty"),
        ("# only a comment\n", "the file is empty"),
        ("just text\n", "a drill is lines of `key: value`"),
        ("- a\n- b\n", "a drill is lines of `key: value`"),
        ("[" * 5000, "nested more than 12 deep"),
        ("{a: " * 20 + "1" + "}" * 20, "nested more than 12 deep"),
        ("a: 1\n b\n- c", "indentation"),
        ("a\x01: 1", "control character here, U+0001"),
        ("a: \ud800", "control character here, U+D800"),
        (GOOD + "---\n" + GOOD, "a second YAML document starts here"),
        ("x" * (MAX_BYTES + 1), "a drill file has at most 1 MB"),
    ],
    ids=lambda value: value[:12] if isinstance(value, str) else None,
)
def test_what_is_no_drill_at_all_gets_one_sentence(text: str, message: str) -> None:
    problem = only(text)
    assert message in problem.message
    problem.with_caret().encode()


def test_all_problems_come_at_once_in_the_order_of_the_text() -> None:
    text = GOOD.replace("4/4", "4:4").replace("goal: 76", "goal: 7").replace("D:<5>", "D:<5.5>").replace(
        "for 4", "four 4"
    )  # fmt: skip
    assert [problem.line for problem in problems_of(text)] == [4, 5, 9, 10]


def test_a_warning_is_no_error() -> None:
    drill, problems = read_drill(GOOD.replace("for 4", "for 9"), "test.yaml")
    assert drill is not None
    assert [problem.severity for problem in problems] == ["warning"]
    assert drill.phrases[0].bars[0].events[0].hold == 4
    upside_down = problems_of(GOOD.replace("G2, D2, A1, E1", "E1, A1, D2, G2"))
    assert upside_down[0].severity == "warning"
    stray = GOOD + "      - bass: 1 E:0\n        harmonics: 1 G:<7>\n      - harmonic: 1 G:<7>\n"
    assert only(stray).guess == "did you mean `harmonics`?"


@pytest.mark.parametrize(
    ("events", "column", "message", "guess"),
    [
        ("1 G:<7>, 3 D:7", 31, "D:7 is a stopped note among harmonics", "D:<7> would be the harmonic"),
        ("1 G:<6>", 25, "`<6>` is read as the node at 5.8 (partial 7)", "write G:<5.8>"),
        ("1 G12*", 22, "a harmonic is written in < >", "did you mean G:<12>?"),
        ("1 G:12*", 24, "'12*' is not a fret", "a harmonic? then write G:<12>"),
        ("1 G:3.2°", 24, "is not a fret", "a harmonic? then write G:<3.2>"),
    ],
)
def test_what_reads_well_but_likely_means_a_harmonic_is_told(
    events: str, column: int, message: str, guess: str
) -> None:
    problem = only(GOOD.replace("1 G:<7>, 3 D:<5>", events))
    assert (problem.line, problem.column) == (10, column)
    assert message in problem.message
    assert problem.guess == guess


@pytest.mark.parametrize(
    "events",
    ["1 G:<4>, 2 D:<9>=F#4, 3 D:<6>=C5", "1 G:<5.8>, 3 D:<1/7>", "1 G:<7>, 3 D:6", "1 G:<7>, 2 D:7, 3 D:0"],
)
def test_usual_shorthand_and_mixed_layers_are_no_slips(events: str) -> None:
    # <4> for 3.9 and <9> for 8.8: common practice, no source. Nobody touches a string at fret 6 for a partial up to 6.
    assert problems_of(GOOD.replace("1 G:<7>, 3 D:<5>", events)) == []


def test_a_stopped_note_in_a_layer_of_another_name_is_told_only_among_many_harmonics() -> None:
    few = "bells: 1 G:<7>, 2 D:7, 3 G:<5>"
    many = "bells: 1 G:<7>, 2 D:7, 3 G:<5>, 3& D:<5>, 4 G:<12>"
    line = "harmonics: 1 G:<7>, 3 D:<5>"
    assert problems_of(GOOD.replace(line, few)) == []
    assert "D:7 is a stopped note" in only(GOOD.replace(line, many)).message


@pytest.mark.parametrize(
    ("names", "guesses"),
    [
        (("harmonics", "harmonic"), ["did you mean `harmonics`?"]),
        (("harmonic", "harmonics", "harmonics"), ["did you mean `harmonics`?"]),
        (("harmonic", "harmonic", "harmonics", "harmonics", "harmonics"), ["did you mean `harmonics`?"]),
        (("Bells", "bells"), ["did you mean `Bells`?"]),
        (("voice 1", "voice 2"), []),
        (("top", "tip"), []),
        (("bells", "chime"), []),
    ],
)
def test_layers_that_differ_by_one_letter_and_never_meet_are_told(
    names: tuple[str, ...], guesses: list[str]
) -> None:
    head, _, _ = GOOD.partition("      - bass")
    text = head + "".join(f"      - {name}: 1 G:<7>\n" for name in names)
    assert [problem.guess for problem in problems_of(text)] == guesses


def test_layers_of_one_bar_are_two_on_purpose() -> None:
    head, _, _ = GOOD.partition("      - bass")
    assert problems_of(head + "      - {bells: 1 G:<7>, belly: 1 D:<7>}\n" * 2) == []


def test_the_built_in_drills_are_without_a_warning() -> None:
    for path in sorted((Path(__file__).parent.parent / "drills").glob("*.yaml")):
        assert read_drill(path.read_text(), path.name)[1] == []


def test_a_bar_beyond_the_limit_is_refused_once() -> None:
    text = GOOD + "      - bass: 1 E:0\n        times: 99\n" * 21
    assert "at most 2000 bars" in only(text).message


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda path: None, "there is no such file"),
        (lambda path: path.mkdir(), "this is a folder"),
        (lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"), "binary"),
        (lambda path: path.write_bytes(bytes(2000)), "binary file, not a drill file .name a drill file"),
        (
            lambda path: path.write_bytes(b"MThd\0\0\0\6"),
            "a MIDI file, not a drill file .`coach import` makes a drill",
        ),
        (
            lambda path: path.write_bytes(b"PK\x03\x04"),
            "an archive, not a drill file .`coach import` makes a drill",
        ),
        (
            lambda path: path.write_text("<?xml version='1.0'?>"),
            "an XML file, not a drill file .`coach import` makes",
        ),
        (lambda path: path.write_text("\ufeff\n<score-partwise>"), "a MusicXML file, not a drill file"),
        (lambda path: path.write_bytes("a: ä".encode("latin-1")), "not UTF-8 text"),
        (lambda path: path.write_bytes("a: 1".encode("utf-16")), "UTF-16"),
        (lambda path: path.write_bytes(b"a" * 10_000_000), "10.0 MB"),
    ],
)
def test_a_file_that_is_no_text_gets_one_sentence(make, message: str, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "drill.yaml"
    make(path)
    with pytest.raises(CoachError, match=message) as caught:
        load_drill(path)
    assert len(caught.value.problems) == 1


def test_a_byte_order_mark_and_dos_lines_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "drill.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_drill(path).title == "A Test"


@pytest.mark.parametrize(
    "text", ["drill: 1\ntitle: 'Lamps\nphrases: [", "drill: 1\n\ttitle: Lamps\n", "drill: 1\ntitle: a: b\n"]
)
def test_where_yaml_ends_at_a_slip_it_is_said_that_the_rest_is_unread(text: str) -> None:
    drill, problems = read_drill(text, "lamps.yaml")
    assert drill is None
    assert problems[-1].message.endswith("; the rest can't be read until this is fixed")


@pytest.mark.parametrize("text", ["title: - a", "title: > a", "- a: [b,,", "{a: 'b' 'c'}", "title: *"])
def test_the_slow_reader_of_yaml_tells_the_same_slips_as_the_fast_one(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PyYAML has one in C and one in Python, for machines without the library, each with words of its own."""
    fast = [str(problem) for problem in problems_of(text)]
    monkeypatch.setattr("coach.ground.compose._LOADER", yaml.SafeLoader)
    assert [str(problem) for problem in problems_of(text)] == fast
