"""The player's own instruments: their lengths under a drill's tuning, from the settings to every output."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from coach.cli import main
from coach.folder.library import drill_on_own
from coach.folder.settings import SETTINGS, read_settings
from coach.ground.problem import CoachError
from coach.music.excerpt import whole_phrase
from coach.music.passages import passage_of
from coach.pages.fretboard import fretboard_svg
from coach.score.load import read_drill
from coach.strings.fretboard import Board, fretboard_lines, node_marks
from coach.strings.instrument import Instrument
from coach.strings.node import Node
from coach.strings.node_table import mm_text
from coach.strings.own import on_own
from coach.strings.ready_made import READY_MADE, ready_made, usual_scale_mm
from coach.strings.touch import Forgiveness, wire_aim

SHORT = Instrument.of(["G2", "D2", "A1", "E1"], 762.0, set_back_mm=[2.0, 2.5, 3.0, 4.0])
FIVE = Instrument.of(["G2", "D2", "A1", "E1", "B0"], [838.0, 851.0, 864.0, 876.0, 889.0], name="five")
HEAD = "drill: 1\ntitle: Two Bells\nmeter: 4/4\ntempo: {start: 50, goal: 70}\n"
PHRASES = "phrases: [{name: a, bars: [{harmonics: '1 G:<7>, 3 D:<3.2>'}]}]\n"
BELLS = f"{HEAD}instrument: {{strings: [G2, D2, A1, E1]}}\n{PHRASES}"


def test_a_drills_tuning_takes_the_lengths_of_the_players_instrument() -> None:
    tuning = Instrument.of(["G2", "D2", "A1", "D1"], 864.0)
    own = on_own(tuning, [SHORT])
    assert [string.name for string in own.strings] == ["G2", "D2", "A1", "D1"]
    # k/n of the string's own length, the scale and its saddle's set-back.
    assert own.position_mm(3, Node(1, 2)) == pytest.approx((762.0 + 4.0) / 2)
    assert own.fret_mm(3, 12) == pytest.approx(762.0 / 2)


def test_four_strings_lie_on_a_five_string_with_its_own_lengths() -> None:
    own = on_own(SHORT, [FIVE])
    assert own.scales_mm == (838.0, 851.0, 864.0, 876.0)
    high_c = ready_made("bass-5-high")
    assert on_own(high_c, [FIVE]) is high_c
    # The first that fits as it is tuned, and the one that the drill names before that.
    assert on_own(ready_made("bass"), [FIVE, SHORT]).name == "five"
    assert on_own(ready_made("bass"), [SHORT, FIVE]).scale_mm == 762.0
    assert on_own(replace(ready_made("bass"), name="five"), [SHORT, FIVE]).name == "five"


@pytest.mark.parametrize("name", READY_MADE)
def test_every_ready_made_instrument_fits_itself_and_the_usual_length_is_its_own(name: str) -> None:
    mine = ready_made(name)
    assert on_own(mine, [mine]) == mine
    first = next(each for each in READY_MADE.values() if each.strings == mine.strings)
    assert usual_scale_mm([string.name for string in mine.strings]) == first.scale_mm


def test_what_was_logged_stays_when_the_instrument_is_measured() -> None:
    drill, _ = read_drill(BELLS, "bells")
    assert drill is not None
    own = drill_on_own(drill, [SHORT])
    before, after = (passage_of(one, whole_phrase(one, one.phrases[0])).logged for one in (drill, own))
    assert before == after
    assert own.revision == drill.revision


def test_settings_hold_instruments_and_write_them_as_they_are_read() -> None:
    text = (
        "instruments:\n"
        "  - {strings: [G2, D2, A1, E1], scale_mm: 34in, set_back_mm: [2, 2.5, 3, 4], capo: 2}\n"
        "  - {strings: [G2, D2, A1, E1, B0], scale_mm: [838, 851, 864, 876, 889], name: five}\n"
        "  - violin\n"
    )
    own = read_settings(text, "s").instruments
    assert [instrument.scale_mm for instrument in own] == [863.6, 889.0, 328.0]
    assert (own[0].capo, own[0].set_backs_mm) == (2, (2.0, 2.5, 3.0, 4.0))
    assert own[1].fans
    kind = SETTINGS.rows["instruments"].kind
    assert read_settings(f"instruments: {kind.write(own)}", "s").instruments == own
    assert read_settings("instruments: bass-5", "s").instruments == (ready_made("bass-5"),)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[bass, bass-5]", "two instruments have no name and have a string G2; the log could not keep"),
        ("[lute]", "'lute' is not a ready-made instrument"),
        ("{strings: [G2, D2], scale_mm: 30}", "30 is outside 100 to 2000 mm"),
        ("{strings: [G2, D2], capo: 40}", "40 is outside 0 to 12 frets"),
        (
            "{strings: [G2, D2], set_back_mm: [1, 2, 3]}",
            "3 set-backs for 2 strings; give one, or one for each",
        ),
        ("{strings: [G2, D2], set_bak_mm: 2}", "did you mean `set_back_mm`"),
    ],
)
def test_a_slip_in_an_instrument_is_told_with_its_place(text: str, says: str) -> None:
    with pytest.raises(CoachError, match=r"s:1:\d+: instruments") as error:
        read_settings(f"instruments: {text}", "s")
    assert says in str(error.value)


def _folder(folder: Path, instruments: str) -> Path:
    (folder / "drills").mkdir()
    (folder / "drills" / "two-bells.yaml").write_text(BELLS)
    (folder / "settings.yaml").write_text(f"instruments: {instruments}\n")
    return folder


def test_commands_compute_on_the_players_own(tmp_path, capsys) -> None:
    folder = str(_folder(tmp_path, "{strings: [G2, D2, A1, E1], scale_mm: 762, set_back_mm: 4, capo: 2}"))
    assert main(["nodes", "--string", "D", "--upto", "6", "--json", "--folder", folder]) == 0
    row = next(row for row in json.loads(capsys.readouterr().out) if row["node"] == "1/6")
    # Above a capo at 2 the string is the scale less its first two frets, and the set-back (equal temperament).
    assert row["position_mm"] == pytest.approx((762.0 * 2 ** (-2 / 12) + 4.0) / 6, abs=0.01)
    assert row["note"] == "B4"  # A4 on the open string, two semitones up
    assert main(["export", "two-bells", "--to", "tab", "--folder", folder]) == 0
    assert "G2 D2 A1 E1, 762 mm, capo 2" in capsys.readouterr().out
    assert main(["plan", "two-bells", "--folder", folder]) == 0
    assert main(["check", f"{folder}/drills/two-bells.yaml", "--folder", folder]) == 0
    assert "judged on G2 D2 A1 E1, 762 mm, capo 2" in capsys.readouterr().out


def test_the_checkers_reach_is_on_the_players_own(tmp_path, capsys) -> None:
    # From fret 1 to the node 1/5: 124 mm of 864, within the hand; 1050 (1/5 - (1 - 2^(-1/12))) mm = 151 mm.
    wide = BELLS.replace("{harmonics: '1 G:<7>, 3 D:<3.2>'}", "{bass: '1 E:1 for 4', harmonics: '1 G:<1/5>'}")
    folder = _folder(tmp_path, "[]")
    file = folder / "drills" / "two-bells.yaml"
    file.write_text(wide)
    assert main(["check", str(file), "--folder", str(folder)]) == 0
    assert capsys.readouterr().err == ""
    (folder / "settings.yaml").write_text("instruments: double-bass\n")
    assert main(["check", str(file), "--folder", str(folder)]) == 0
    assert "are 151 mm apart; a hand is assumed to reach 130 mm" in capsys.readouterr().err


def test_mm_carry_the_error_they_have() -> None:
    # Computed: a saddle up to 5 mm back on 864 mm moves the node at 12, half-way, by up to 2.5 mm.
    unmeasured, measured = ready_made("bass"), on_own(ready_made("bass"), [SHORT])
    assert unmeasured.position_error_mm(3, Node(1, 2)) == pytest.approx((0.0, 2.5))
    assert mm_text(unmeasured, 3, Node(1, 2)) == "432 to 434 mm"
    # A ruler reads a string to a mm, half way along it is half of that.
    assert measured.position_error_mm(3, Node(1, 2)) == (0.5, 0.5)
    assert mm_text(measured, 3, Node(1, 2)) == "383 mm"
    assert ready_made("violin").measured
    aim = wire_aim(unmeasured, 3, Node(1, 2), Forgiveness(2, 40))
    assert aim is not None
    assert (aim.offset_mm, aim.word) == (pytest.approx(0.0, abs=1e-9), "dull")


@pytest.mark.parametrize(
    ("instrument", "says"),
    [
        ("bass", ["+2.5", "nut to saddle    minus the scale, that is its set_back_mm"]),
        ("violin", ["±0.5", "Measure each string from nut to bridge"]),
    ],
)
def test_nodes_say_what_to_measure(instrument: str, says: list[str], tmp_path, capsys) -> None:
    assert main(["nodes", "--instrument", instrument, "--upto", "2", "--folder", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert [text for text in says if text not in out] == []


def test_one_fret_is_one_place_for_the_hand_where_frets_fan() -> None:
    node = Node(1, 4)
    places = [FIVE.along_mm(string, FIVE.position_mm(string, node)) for string in range(5)]
    assert places == pytest.approx([889.0 / 4] * 5)
    # The inverse of equal temperament: the node at 1/4 is fret 4.98.
    assert FIVE.fret_at(places[0]) == pytest.approx(node.fret)
    assert SHORT.along_mm(3, 100.0) == 100.0


def test_a_fanned_neck_has_the_numbers_of_its_first_and_its_last_string() -> None:
    lines = fretboard_lines(FIVE, {(4, Node(1, 3)): "3", (0, Node(1, 3)): "3"}, 160)
    assert len(lines) == 1 + 5 + 1 + 1
    # Fret 12 of a string is half of its scale away (equal temperament), and 157 columns are 889 mm.
    first, last = lines[0].index("12"), lines[6].index("12")
    assert [first, last] == [2 + round(838 / 2 / 889 * 157), 2 + round(0.5 * 157)]
    assert lines[7].split() == ["7"]
    drawing = fretboard_svg(Board.of(FIVE), node_marks(FIVE, {(0, Node(1, 3)): ""}), "neck")
    assert drawing.count(">12</text>") == 2
    assert fretboard_svg(Board.of(SHORT), [], "neck").count(">12</text>") == 1
