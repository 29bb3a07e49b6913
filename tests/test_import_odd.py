"""Legal MusicXML that few files have, and what a MIDI file says of keys and bars: music21 reads the same."""

from __future__ import annotations

from pathlib import Path

import music21
import pytest

from coach.ground.problem import CoachError
from coach.score.arrange import arranged
from coach.score.foreign import read_score
from coach.score.midi_out import midi_bytes
from coach.score.strands import Choices
from tests.corpus import compared
from tests.drillfile_drafts import drill_from
from tests.test_import import measure, note, read

BAR = "".join(map(note, ("E2", "G2", "A2", "B2")))


def times(*signs: tuple[str, int]) -> str:
    shown = "".join(f"<beats>{beats}</beats><beat-type>{unit}</beat-type>" for beats, unit in signs)
    return f"<attributes><divisions>2</divisions><time>{shown}</time></attributes>"


def repeat(direction: str, number: str = "", ending: str = "", more: str = "") -> str:
    """A bar line with a repeat sign and an ending, each where it is given."""
    location = "left" if direction == "forward" or ending == "start" else "right"
    inside = f'<ending number="{number}" type="{ending}"/>' if ending else ""
    inside += f'<repeat direction="{direction}"{more}/>' if direction else ""
    return f'<barline location="{location}">{inside}</barline>'


def in_ending(number: str, last: bool = False) -> str:
    stop = repeat("", number, "discontinue") if last else repeat("backward", number, "stop")
    return repeat("", number, "start") + BAR + stop


REPEATS = {
    "three endings after a section without one": (
        [BAR + repeat("backward"), repeat("forward") + BAR, in_ending("1"), in_ending("2"), in_ending("3", True)],
        [1, 1, 2, 3, 2, 4, 2, 5],
    ),
    "an ending for two times": (
        [repeat("forward") + BAR, in_ending("1, 2"), in_ending("3", True), BAR], [1, 2, 1, 2, 1, 3, 4],
    ),
    "an ending of two bars": (
        [BAR, repeat("", "1", "start") + BAR, BAR + repeat("backward", "1", "stop"), in_ending("2", True)],
        [1, 2, 3, 1, 4],
    ),
    "a section four times": ([BAR + repeat("backward", more=' times="4"'), BAR], [1, 1, 1, 1, 2]),
    "two sections": (
        [BAR + repeat("backward"), repeat("forward") + BAR, BAR + repeat("backward")], [1, 1, 2, 3, 2, 3],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REPEATS)
def test_bars_are_played_in_the_order_in_which_music21_expands_the_repeats(name: str, tmp_path: Path) -> None:
    bars, order = REPEATS[name]
    _, score = read(tmp_path, *(measure(bar, number=number) for number, bar in enumerate(bars, 1)))
    assert [int(score.bars[index].number) for index in score.order] == order
    part = music21.converter.parse(str(tmp_path / "piece.musicxml"), forceSource=True).parts[0]
    assert [bar.number for bar in part.expandRepeats().getElementsByClass("Measure")] == order


def test_cue_notes_take_their_time_though_nobody_plays_them(tmp_path: Path) -> None:
    """A cue note has a `<duration>` (MusicXML 4.0, note), a grace note has none."""
    cue = note("E3", 4).replace("<note>", "<note><cue/>")
    grace = "<note><grace/><pitch><step>D</step><octave>2</octave></pitch></note>"
    bars = measure(cue, grace, note("A2"), note("B2")), measure(BAR, number=2)
    drill, score = read(tmp_path, *bars)
    first, second = score.bars
    assert [(bar.onset * 4, bar.midi) for bar in first.notes] == [(2, 45), (3, 47)]
    assert (first.length, second.length) == (1, 1)
    assert [str(event.beat) for event in drill.phrases[0].bars[0].events] == ["2", "3"]
    assert score.joined_remarks()[:2] == ["bar 1: cue notes left out", "bar 1: grace notes left out"]
    ((_, differences),) = compared(music21, tmp_path / "piece.musicxml")
    assert [one.partition(" length")[0] for one in differences] == ["only music21 bar 1 onset 0 midi 52"]


@pytest.mark.parametrize(
    ("signs", "meter"),
    [
        ([("4", 4), ("3", 8)], "11/8 in 2+2+2+2+3"),
        ([("3+2", 8), ("3", 4)], "11/8 in 3+2+2+2+2"),
        ([("2+3", 8)], "5/8 in 2+3"),
        ([("6", 8)], "6/8 in 2"),
    ],
)
def test_a_meter_of_several_signs_is_counted_in_the_finest(
    signs: list[tuple[str, int]], meter: str, tmp_path: Path
) -> None:
    eighths = sum(sum(map(int, beats.split("+"))) * 8 // unit for beats, unit in signs)
    bar = measure(*(note("E2", 1) for _ in range(eighths)), attributes=times(*signs))
    drill, score = read(tmp_path, bar)
    assert str(drill.phrases[0].bars[0].meter) == meter
    assert not any(what.startswith("longer") for what in score.remarked)
    theirs = music21.converter.parse(str(tmp_path / "piece.musicxml"), forceSource=True)
    (sign,) = theirs.recurse().getElementsByClass("TimeSignature")
    assert sign.barDuration.quarterLength * 2 == eighths


@pytest.mark.parametrize(
    "signs", [[], [("0", 4)], [("4", 3)], [("3", 4), ("x", 8)], [("65", 4)], [("9" * 30, 4)]]
)
def test_a_meter_that_is_none_is_told_and_the_one_before_holds(
    signs: list[tuple[str, int]], tmp_path: Path
) -> None:
    _, score = read(tmp_path, measure(BAR), measure(BAR, number=2, attributes=times(*signs)))
    assert score.joined_remarks()[0] == "bar 2: the meter stays 4/4: this one can't be read"
    assert score.bars[1].length == 1


def test_a_loudness_that_is_no_sign_stands_in_its_own_words(tmp_path: Path) -> None:
    inside = "<dynamics><other-dynamics>sempre p</other-dynamics></dynamics>"
    direction = f"<direction><direction-type>{inside}</direction-type></direction>"
    drill, _ = read(tmp_path, measure(direction, BAR))
    assert drill.phrases[0].bars[0].dynamics == "sempre p"


BACK_IN_C = """\
drill: 1
title: Back
instrument: bass
meter: 4/4
tempo: {start: 50, goal: 60}
phrases:
- name: flats
  bars: [{key: Eb major, bass: '1 E:4'}]
- name: plain
  bars: [{bass: '1 E:4'}, {ends_after: 2, bass: '1 E:0'}]
"""


def test_midi_says_that_a_key_is_over_and_writes_half_a_bar_in_its_own_unit(tmp_path: Path) -> None:
    path = tmp_path / "back.mid"
    path.write_bytes(midi_bytes(drill_from(BACK_IN_C), 60))
    part = music21.converter.parse(str(path), forceSource=True).parts[0]
    # A bar of count-in comes first.
    keys = [
        (key.getOffsetInHierarchy(part), key.sharps)
        for key in part.recurse().getElementsByClass("KeySignature")
    ]
    assert keys == [(0.0, -3), (8.0, 0)]
    signs = part.recurse().getElementsByClass("TimeSignature")
    assert [(sign.getOffsetInHierarchy(part), sign.ratioString) for sign in signs] == [
        (0.0, "4/4"),
        (12.0, "2/4"),
    ]


def test_a_gradual_tempo_comes_back_from_midi_a_little_narrower_and_a_steady_one_as_it_was(
    tmp_path: Path,
) -> None:
    """As import-export.md says it."""
    bars = "{bass: '1 E:0'}, {tempo: 100% to 50%, bass: '1 E:0'}, {tempo: 87.5%, bass: '1 E:0'}"
    path = tmp_path / "slower.mid"
    path.write_bytes(
        midi_bytes(drill_from(BACK_IN_C.partition("phrases")[0] + f"phrases: [{{bars: [{bars}]}}]"), 60)
    )
    drill, _ = arranged(read_score(path), Choices(), "slower.mid")
    ratios = [(bar.start_ratio, bar.stop_ratio) for phrase in drill.phrases for bar in phrase.bars]
    shown = [tuple(round(float(ratio * 100), 1) for ratio in pair) for pair in ratios]
    assert shown == [(100, 100), (98.4, 51.5), (87.5, 87.5)]


def test_an_ending_without_an_end_goes_to_its_repeat_sign_or_to_the_next_section(tmp_path: Path) -> None:
    """The file should say where an ending stops (MusicXML 4.0, ending); without it no bar is lost."""
    start = [repeat("", number, "start") + BAR for number in ("1", "2")]
    bars = [
        BAR,
        start[0] + repeat("backward"),
        start[1],
        BAR,
        repeat("forward") + BAR,
        BAR + repeat("backward"),
    ]
    _, score = read(tmp_path, *(measure(bar, number=number) for number, bar in enumerate(bars, 1)))
    assert [int(score.bars[index].number) for index in score.order] == [1, 2, 1, 3, 4, 5, 6, 5, 6]


def test_a_part_beyond_every_instrument_says_what_it_has_and_what_there_is(tmp_path: Path) -> None:
    with pytest.raises(
        CoachError, match=r"none of its notes, C0 to E0, can be played on G2 D2 A1 E1, 864 mm"
    ):
        read(tmp_path, measure(note("C0", 4), note("E0", 4)))


def test_a_bar_of_several_whole_notes_says_how_many(tmp_path: Path) -> None:
    _, score = read(tmp_path, measure(BAR, BAR), measure(BAR, note("E2", 3), number=2))
    assert score.joined_remarks()[:2] == [
        "bar 1: longer than 4/4; kept as 2 whole notes",
        "bar 2: longer than 4/4; kept as 11/8 of a whole note",
    ]
