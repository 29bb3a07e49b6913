"""A melody over a bass from a score: lines, keys, what is lost; and what a score says of bars, pitches and keys."""

from __future__ import annotations

import re
import warnings
from fractions import Fraction
from itertools import product
from pathlib import Path

import pytest

from coach.cli import main
from coach.ground.problem import CoachError
from coach.music.drill import Drill
from coach.music.excerpt import whole_piece
from coach.music.key import Key
from coach.music.passages import passage_of
from coach.score import arrange_duet
from coach.score.arrange import arranged
from coach.score.arrange_duet import EVERY_KEY, arranged_duet, arrangements
from coach.score.duet import RAISED_COST, LineNames, Shift, duet_of
from coach.score.foreign import read_score, read_two_lines
from coach.score.limits import MAX_PHRASES
from coach.score.load import load_drill
from coach.score.musicxml_in import read_musicxml
from coach.score.sections import sections_of
from coach.score.strands import Choices
from coach.score.unpack import parse_xml
from coach.strings.fingering import find_fingering
from coach.strings.reach import places_for
from coach.strings.ready_made import ready_made
from tests.duets import CHORALE, outcome
from tests.test_import import ATTRIBUTES, HEAD, TAIL, measure, note, notes_of, read, technical, zipped

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import music21

BACH = Path(music21.__file__).parent / "corpus/bach"
FERMATA = "<fermata/>"
TWO_PARTS = (
    "<score-partwise><part-list><score-part id='P1'><part-name>Tune</part-name></score-part><score-part id='P2'>"
    "<part-name>Ground</part-name></score-part></part-list><part id='P1'>{}</part><part id='P2'>{}</part>"
    "</score-partwise>"
)


def two_parts(tmp_path: Path, tune: str, ground: str) -> Path:
    path = tmp_path / "two.musicxml"
    path.write_text(TWO_PARTS.format(tune, ground))
    return path


def lines(path: Path, melody: str, bass: str, keys: tuple[int, ...] = (0,), part: str | None = None) -> Drill:
    score = read_two_lines(path, LineNames(melody, bass, part))
    drill, _, _ = arranged_duet(score, Choices(), ready_made("bass"), keys, path.name)
    return drill


def test_a_bar_that_is_parted_is_whole_inside_a_phrase(tmp_path: Path) -> None:
    drill, _ = read(
        tmp_path,
        measure(note("E1", 4), note("F1", 4)),
        measure(note("G1", 6), number=2),
        measure(note("A1", 2), number=3),
        measure(note("B1", 8), number=4),
    )
    assert [str(bar.meter) for bar in drill.phrases[0].bars] == ["4/4"] * 3
    assert [event.beat for event in drill.phrases[0].bars[1].events] == [0, 3]
    assert [onset for onset, _, _ in notes_of(drill)] == [0, 2, 4, 7, 8]


def test_a_phrase_after_a_double_bar_begins_with_the_rest_of_the_bar(tmp_path: Path) -> None:
    double = '<barline location="right"><bar-style>light-light</bar-style></barline>'
    drill, score = read(
        tmp_path,
        measure(note("E1", 4), note("F1", 4)),
        measure(note("G1", 3), note("G1", 3), double, number=2),
        measure(note("A1", 2), number=3),
        measure(note("B1", 8), number=4),
    )
    last, first = drill.phrases[0].bars[-1], drill.phrases[1].bars[0]
    assert (str(last.meter), last.length) == ("4/4", 3)
    assert (str(first.meter), first.length, first.events[0].beat) == ("4/4", 1, 3)
    assert not any("rests" in remark for remark in score.joined_remarks())


def test_the_best_of_all_keys_and_octaves_is_the_cheapest_of_every_full_search() -> None:
    """Against the search without its bound, in every key and octave in which the bass is no closer than it was."""
    score = read_two_lines(BACH / "bwv66.6.mxl", CHORALE)
    score.bars = score.bars[:2]
    duet = duet_of(score, ready_made("bass"), 3.0, "bwv66.6")
    full: dict[int, float] = {}
    for key, up, down in product(EVERY_KEY, range(-36, 37, 12), range(-36, 37, 12)):
        shift = Shift(key + up, key + down)
        rings = any(places_for(duet.instrument, one.note.midi + shift.melody) for one in duet.melody)
        if up >= down and rings:
            raised = sum(duet.moved(one, shift.bass) > one.note.midi + shift.bass for one in duet.bass)
            cost = find_fingering(duet.instrument, *duet.wanted(shift)).cost + RAISED_COST * raised
            full[shift.key] = min(cost, full.get(shift.key, cost))
    rows = arrangements(duet, EVERY_KEY, "bwv66.6")
    assert {row.shift.key for row in rows} == set(EVERY_KEY)
    assert rows[0].cost == pytest.approx(min(full.values()))
    assert sum(bool(row.fingering) for row in rows) > 1
    for row in rows:
        exact = full[row.shift.key]
        assert row.cost == pytest.approx(exact) if row.fingering else rows[0].cost <= exact


@pytest.mark.parametrize("name", ["bwv66.6.mxl", "bwv297.mxl", "bwv171.6.mxl"])
def test_bars_are_called_and_chosen_by_the_numbers_that_the_score_prints(name: str) -> None:
    """music21 reads the numbers as printed: a pick-up is 0, `3a` and `X1` are the later piece of a bar."""
    parts = music21.converter.parse(BACH / name).parts
    bars, lowest = parts[-1].getElementsByClass("Measure"), str(len(parts))
    score = read_score(BACH / name, lowest)
    numbers = [None if bar.numberSuffix == "X" else str(bar.number) for bar in bars]
    assert [own.number for own, n in zip(score.bars, numbers, strict=True) if n] == [n for n in numbers if n]
    assert numbers[0] == "0"
    drill, _ = arranged(score, Choices(), name)
    assert drill.phrases[0].first_bar == 0
    assert drill.phrases[0].name.startswith("bars 0 to ")
    for phrase in drill.phrases:
        assert phrase.name.endswith(str(phrase.first_bar + len(phrase.bars) - 1))
    part, _ = arranged(read_score(BACH / name, lowest), Choices(bars=(5, 6)), name)
    shown = [bar.number for bar in passage_of(part, whole_piece(part)).bars]
    assert (shown[0], shown[-1]) == (5, 6)


@pytest.mark.parametrize(
    ("printed", "reason"), [((1, 2, 1, 2), "back"), ((9998, 9999, 10000, 10001), "beyond 9999")]
)
def test_numbers_that_no_drill_can_have_are_counted_and_told(
    printed: tuple[int, ...], reason: str, tmp_path: Path
) -> None:
    bars = "".join(measure(note("E1", 8), number=number) for number in printed)
    score = read_score(two_parts(tmp_path, bars, bars), "1")
    assert [bar.number for bar in score.bars] == ["1", "2", "3", "4"]
    message = f"the bars are counted from 1 to 4, since the file's own numbers go {reason}"
    assert score.joined_remarks()[0] == message


def test_a_short_bar_keeps_its_length_and_a_bar_left_unfilled_is_filled_as_others_are(tmp_path: Path) -> None:
    odd = measure(note("E1", 8)) + measure(note("G1", 6), number=2) + measure(note("A1", 8), number=3)
    path = two_parts(tmp_path, odd, odd)
    score = read_score(path, "1")
    assert [bar.length for bar in score.bars] == [1, Fraction(3, 4), 1]
    assert "bar 2: shorter than 4/4; kept as 3/4 of a whole note" in score.joined_remarks()
    path = two_parts(tmp_path, odd, odd.replace(note("G1", 6), note("G1", 8)))
    score = read_score(path, "1")
    assert [bar.length for bar in score.bars] == [1, 1, 1]
    assert "bar 2: filled with rests to its length in the other parts" in score.joined_remarks()


def test_what_follows_a_fermata_begins_a_phrase_and_no_phrase_is_one_note(tmp_path: Path) -> None:
    drill, _ = read(
        tmp_path,
        measure(*(note("E1") for _ in range(2)), note("F1", notations=FERMATA), note("G1")),
        measure(*(note("A1") for _ in range(4)), number=2),
        measure(note("B1", 6), note("E1", 2, notations=FERMATA), number=3),
    )
    assert [[bar.length for bar in phrase.bars] for phrase in drill.phrases] == [[3], [1, 4, 4]]
    drill, _ = read(
        tmp_path,
        measure(note("E1", 8, notations=FERMATA)),
        measure(note("E1", 8, notations=FERMATA), number=2),
        measure(note("G1", 8), number=3),
    )
    assert [len(phrase.bars) for phrase in drill.phrases] == [2 + 1]


@pytest.mark.parametrize(
    ("kind", "place", "remark"),
    [
        ("<sounding-pitch/>", "D:<2.7>", "string 1, fret 7 sounds D4, but the file says C5"),
        ("", "G:<7>", "fits neither this nor the place touched"),
    ],
)
def test_a_stated_sounding_pitch_wins_over_a_fret_that_sounds_another(
    kind: str, place: str, remark: str, tmp_path: Path
) -> None:
    details = "".join(
        f'<staff-tuning line="{line}"><tuning-step>{name[0]}</tuning-step><tuning-octave>{name[1]}</tuning-octave>'
        "</staff-tuning>"
        for line, name in enumerate(("E1", "A1", "D2", "G2"), 1)
    )
    attributes = ATTRIBUTES.replace("</attributes>", f"<staff-details>{details}</staff-details></attributes>")
    harmonic = technical(1, 7, f"<harmonic><natural/>{kind}</harmonic>")
    drill, score = read(tmp_path, measure(note("C5", 8, notations=harmonic), attributes=attributes))
    (placed,) = drill.phrases[0].bars[0].events[0].notes
    assert f"{drill.instrument.string_label(placed.string)}:{placed.position_text}" == place
    assert any(remark in told for told in score.joined_remarks())


def test_key_and_spelling_survive_an_import(tmp_path: Path) -> None:
    attributes = ATTRIBUTES.replace("<time>", "<key><fifths>-4</fifths><mode>minor</mode></key><time>")
    flat = note("A1", 4).replace("<octave>", "<alter>-1</alter><octave>")
    odd = note("F#2", 4)
    drill, _ = read(tmp_path, measure(flat, odd, attributes=attributes))
    assert drill.key == Key(-4, "minor")
    assert [one.asserted for event in drill.phrases[0].bars[0].events for one in event.notes] == ["", "F#2"]


@pytest.mark.parametrize("name", ["bwv5.7", "bwv265", "bwv91.6"])
def test_a_chorale_becomes_a_playable_drill_that_keeps_its_melody(name: str) -> None:
    one = outcome(BACH / f"{name}.mxl")
    assert (one.errors, one.warnings) == (0, 0)
    assert one.melody_share >= 0.9
    assert one.bass_share >= 0.9
    assert one.shortest > 2


def test_the_command_writes_the_drill_and_shows_the_keys(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    target = tmp_path / "chorale.yaml"
    words = ["import", str(BACH / "bwv5.7.mxl"), "--melody", "Soprano", "--bass", "4", "-o", str(target)]
    assert main(words) == 0
    told = capsys.readouterr().err
    assert "bwv5.7.mxl: transposed: melody 3 semitones down" in told
    assert str(BACH) not in told
    head, best, *others = told.split("key ", 1)[1].splitlines()
    assert re.split(r"  +", head)[1:] == [
        "effort", "melody transposed", "bass transposed", "melody rings", "hardest node", "longest reach",
        "hardest move", "melody lost", "bass lost",
    ]  # fmt: skip
    assert re.match(r"E minor +\d+ +-3 semitones +-15 semitones +\d+ of \d+ ", best), best
    assert "\n".join([best, *others]).count(" minor") == 12
    efforts = [int(row[1]) for line in (best, *others) if len(row := re.split(r"  +", line)) > 2]
    assert efforts == sorted(efforts)
    assert others[-1].startswith("effort: ")
    assert main(["check", str(target)]) == 0
    assert load_drill(target).layers == ("bass", "harmonics")


def test_every_key_keeps_onsets_and_steps(tmp_path: Path) -> None:
    score = read_two_lines(BACH / "bwv5.7.mxl", CHORALE)
    drill, _, _ = arranged_duet(score, Choices(), ready_made("bass"), EVERY_KEY, "bwv5.7")
    plain, _ = arranged(read_score(BACH / "bwv5.7.mxl", "Soprano"), Choices(), "bwv5.7")
    ours = [onset for onset, _, place in notes_of(drill) if "<" in place]
    assert ours == [onset for onset, _, _ in notes_of(plain)]


@pytest.mark.parametrize(("melody", "bass"), [("staff 1", "staff 2"), ("voice 1", "voice 2"), ("One", "One")])
def test_staves_voices_and_chords_part_into_melody_and_bass(melody: str, bass: str, tmp_path: Path) -> None:
    high = "".join(note(pitch, inside="<x/>", voice=1) + "" for pitch in ("D4", "G4", "A4", "D4"))
    low = "".join(note(pitch, voice=2) for pitch in ("E1", "G1", "A1", "E1"))
    low = low.replace("</note>", "<staff>2</staff></note>")
    path = tmp_path / "one.musicxml"
    path.write_text(HEAD + measure(high, "<backup><duration>8</duration></backup>", low) + TAIL)
    drill = lines(path, melody, bass)
    events = drill.phrases[0].bars[0].events
    assert [event.layer for event in events] == ["bass", "harmonics"] * 4
    assert all(one.is_harmonic == (event.layer == "harmonics") for event in events for one in event.notes)


def test_a_search_that_would_take_too_long_is_refused_with_its_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrange_duet, "MOST_STATES", 100)
    monkeypatch.setattr(arrange_duet, "MOST_STATES_A_NOTE", 0)
    duet = duet_of(read_two_lines(BACH / "bwv66.6.mxl", CHORALE), ready_made("bass"), 3.0, "bwv66.6")
    with pytest.raises(
        CoachError, match=r"bar \d+: too many notes ring at once to compare all ways to play them"
    ):
        arrangements(duet, EVERY_KEY, "bwv66.6")


def test_a_long_score_has_longer_phrases_and_says_so(tmp_path: Path) -> None:
    """Of 900 bars four each would be 225 phrases; a drill has 200 at most."""
    path = tmp_path / "long.musicxml"
    four = "".join(note(pitch) for pitch in ("E1", "G1", "A1", "E2"))
    path.write_text(HEAD + "".join(measure(four, number=number) for number in range(1, 901)) + TAIL)
    score = read_musicxml(parse_xml(path.read_bytes(), path.name), "P1", path.name)
    sections = sections_of(score, score.order, None)
    assert [index for section in sections for index in section] == list(range(900))
    assert {len(section) for section in sections} == {4, 8}
    assert len(sections) <= MAX_PHRASES
    assert "long sections are cut about every 8 bars, to 200 phrases at most" in score.joined_remarks()


def test_two_parts_of_different_lengths_are_refused(tmp_path: Path) -> None:
    one, more = measure(note("G2", 8)), measure(note("G2", 8), number=2)
    path = two_parts(tmp_path, one, one + more)
    with pytest.raises(CoachError, match="the melody's part has 1 bar and the bass's 2"):
        read_two_lines(path, LineNames("1", "2"))


def test_a_note_that_rings_nowhere_is_named_with_its_bar_and_the_nearest_nodes(tmp_path: Path) -> None:
    tune = measure(note("D4"), note("D#4"), note("D4", 4)) + measure(note("D4", 8), number=2)
    ground = measure(note("E1", 8)) + measure(note("E1", 8), number=2)
    path = two_parts(tmp_path, tune, ground)
    score = read_two_lines(path, LineNames("Tune", "Ground"))
    arranged_duet(score, Choices(), ready_made("bass"), (0,), "two")
    lost = [remark for remark in score.joined_remarks() if "left out" in remark]
    assert lost == [
        "bar 1: the melody's D#4 is left out: it rings at no node; nearest: D4 at G<7>, E4 at A<3.2>, C#4 at A<3.9>"
    ]


# G#3 is 5 x E1 (41.20 Hz) and no multiple of A1, D2 or G2, by the harmonic series: both lines need the E string.
@pytest.mark.parametrize(
    ("tune", "harmonics"), [(("rest", "G#3", "G#3", "G#3"), 3), (("G#3", "D4", "D4", "D4"), 3)]
)
def test_an_open_strings_bass_note_stays_where_both_lines_need_its_string(
    tune: tuple[str, ...], harmonics: int, tmp_path: Path
) -> None:
    rest = "<note><rest/><duration>2</duration></note>"
    bar = measure(*(rest if pitch == "rest" else note(pitch, 2) for pitch in tune))
    drill = lines(two_parts(tmp_path, bar, measure(note("E1", 8))), "Tune", "Ground")
    events = [event for bar in drill.phrases[0].bars for event in bar.events]
    assert [one.position_text for event in events for one in event.notes if event.layer == "bass"] == ["0"]
    assert sum(len(event.notes) for event in events if event.layer == "harmonics") == harmonics


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (["--melody", "Tune"], 2, "--melody needs the other line too"),
        (["--bass", "Tune"], 2, "--bass needs the other line too"),
        (["--transpose", "2"], 2, "name both lines"),
        (
            ["--melody", "Flute", "--bass", "2"],
            1,
            "there is no part 'Flute'; there are 1 Tune, 2 Ground (--melody)",
        ),
        (["--melody", "staff 3", "--bass", "2", "--part", "1"], 1, "no staff 3; it has staff 1"),
        (
            ["--melody", "1", "--bass", "2", "--transpose", "up"],
            2,
            "not a transposition; write best, semitones",
        ),
        (["--melody", "1", "--bass", "2", "--transpose", "D major"], 2, "the file names no key"),
        (
            ["--melody", "1", "--bass", "2", "--transpose", ""],
            2,
            "not a transposition; write best, semitones",
        ),
        (
            ["--melody", "1", "--bass", "2", "--transpose", "13"],
            2,
            "--transpose: 13 is not from -12 to 12 semitones",
        ),
        (["--melody", "1", "--bass", "2", "--part", "1"], 2, "--part: --melody and --bass name their parts"),
        (["--melody", "staff 1", "--bass", "2"], 1, "2 parts: 1 Tune, 2 Ground (choose one with --part)"),
        (
            ["--melody", "voice 1", "--bass", "2", "--part", "9"],
            1,
            "no part '9'; there are 1 Tune, 2 Ground (--part)",
        ),
        (["--melody", "3", "--bass", "1"], 1, "there is no part '3'"),
        (["--melody", "Tune", "--bass", "Tune"], 1, "are one line, Tune, and it has no chords"),
        (["--melody", "2", "--bass", "1", "--instrument", "bass", "--bars", "7"], 1, "bars 1 to 1"),
    ],
)
def test_lines_that_are_not_there_are_refused_and_nothing_is_written(
    words: list[str],
    status: int,
    message: str,
    tmp_path: Path,
    capsys,  # type: ignore[no-untyped-def]
) -> None:
    path = two_parts(tmp_path, measure(note("D4", 8)), measure(note("E1", 8)))
    target = tmp_path / "drill.yaml"
    assert main(["import", str(path), *words, "-o", str(target)]) == status
    assert message in capsys.readouterr().err
    assert not target.exists()


def test_a_voice_of_a_midi_file_of_several_tracks_asks_for_its_part(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "two.mid"
    file = ["export", "first-pour", "--folder", str(tmp_path), "--to", "midi", "-o", str(path)]
    assert main(file) == 0
    assert (
        main(["import", str(path), "--melody", "voice 1", "--bass", "1", "-o", str(tmp_path / "x.yaml")]) == 1
    )
    shown = "two.mid: the file has 2 tracks: 1 bass, 2 harmonics (choose one with --part)"
    assert shown in capsys.readouterr().err


UNPITCHED = "<note><unpitched/><duration>8</duration></note>"
REST = "<note><rest/><duration>8</duration></note>"
QUARTER_TONE = note("E2", 8).replace("<octave>", "<alter>0.5</alter><octave>")
NOWHERE = ["--melody", "1", "--bass", "2", "--transpose", "0"]


@pytest.mark.parametrize(
    ("tune", "words", "message"),
    [
        (
            UNPITCHED,
            ["--part", "1"],
            "it has only notes without a pitch, as for drums (another --part: 1 Tune, 2 Ground)",
        ),
        (UNPITCHED, NOWHERE, "the melody has no note here to play (another --melody: 1 Tune, 2 Ground)"),
        (REST, ["--part", "1"], "it has no notes (another --part: 1 Tune, 2 Ground)"),
        (
            QUARTER_TONE,
            ["--part", "1"],
            "bar 1 has quarter tones, which a drill can't contain (leave it out with --bars",
        ),
        (QUARTER_TONE, NOWHERE, "bar 1 has quarter tones"),
        (note("D#4", 8), NOWHERE, "no note of the melody rings at a node of G2 D2 A1 E1, 864 mm in this key"),
    ],
)
def test_what_no_drill_can_be_made_of_is_refused_with_the_way_out(
    tune: str, words: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, target = two_parts(tmp_path, measure(tune), measure(note("E1", 8))), tmp_path / "drill.yaml"
    assert main(["import", str(path), *words, "-o", str(target)]) == 1
    told = capsys.readouterr().err
    assert message in told
    assert told.count("\n") == 1
    assert not target.exists()


def test_a_locked_archive_is_told(tmp_path: Path) -> None:
    data = bytearray(zipped("a.musicxml", b"<score-partwise/>"))
    for mark, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.find(mark) + flags] |= 1  # bit 0: encrypted (APPNOTE 4.4.4)
    path = tmp_path / "a.mxl"
    path.write_bytes(data)
    with pytest.raises(CoachError, match="locked with a password"):
        read_score(path)


def test_a_score_in_utf_16_reads_as_in_utf_8(tmp_path: Path) -> None:
    text = HEAD + measure(note("E1", 8)) + TAIL
    plain, wide = tmp_path / "a.musicxml", tmp_path / "b.musicxml"
    plain.write_text(text)
    wide.write_bytes(text.replace("?>", ' encoding="UTF-16"?>', 1).encode("utf-16"))
    assert read_score(plain).bars == read_score(wide).bars


OWN = "instruments:\n  - {strings: [G2, D2, A1, E1, B0], scale_mm: 889, name: five}\n"


def test_the_players_own_instrument_comes_first_and_others_when_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "settings.yaml").write_text(OWN)
    path, target = (
        two_parts(tmp_path, measure(note("D4", 8)), measure(note("E1", 8))),
        tmp_path / "drill.yaml",
    )
    for words in (["--melody", "1", "--bass", "2"], ["--part", "1"]):
        assert main(["import", str(path), *words, "--folder", str(tmp_path), "-o", str(target)]) == 0
        assert load_drill(target).instrument.name == "five"
    words = ["--melody", "1", "--bass", "2", "--instrument", "guitar"]
    assert main(["import", str(path), *words, "--folder", str(tmp_path), "-o", str(target)]) == 0
    assert len(load_drill(target).instrument.strings) == 6
    capsys.readouterr()
