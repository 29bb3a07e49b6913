"""From two metres: how large the player's work is drawn in every state, and the sheet for marking."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import pytest

from coach.folder.actions import LABEL_KEYS, RATING, Keymap
from coach.ground.places import builtin_drills
from coach.learning.readings import Rung
from coach.music.clicktrack import beats_of
from coach.music.drill import Drill, Note
from coach.music.excerpt import Excerpt, Passage, PlacedEvent, whole_phrase
from coach.music.passages import passage_of
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LATE, NOT_REACHED, RESULTS
from coach.score.load import load_drill, read_drill
from coach.tui import meters
from coach.tui.bigview import written
from coach.tui.focus import focus_at
from coach.tui.glyphs import BIGGEST, READABLE, SMALL, THIN, big_text, capital_rows, least_size
from coach.tui.picture import Picture
from coach.tui.session_view import key_range, layout_of
from coach.tui.sheet import SheetLook, draw_sheet, event_at, keys_on, sheet_of
from tests.samples import BASS, event
from tests.screens import drawn, lamp, picture_text
from tests.test_views import long_drill

SCREEN_MM = 14 * 25.4 * 9 / (16**2 + 9**2) ** 0.5
"""Height of a screen of 14 inches, 16:9, which the terminal fills."""
MINUTE_MM = 2000 * 2.9089e-4
"""One minute of arc at 2 m: tan(1/60 degree) is 2.9089e-4."""
PREFERRED = 20
"""Minutes of arc of a capital: 20 to 22 are preferred, 16 the minimum (ISO 9241-303; from memory). A letter of 5 is
the smallest that normal sight reads (6/6 on the chart of Snellen 1862)."""
SIZES = [(80, 24), (100, 30), (160, 45)]


def minutes_of_arc(capital: float, screen_rows: int) -> float:
    return capital * SCREEN_MM / screen_rows / MINUTE_MM


def shown_size(lines: list[str], text: str, plain: bool) -> int | None:
    """The largest size at which a text stands somewhere on the screen; None where it does not."""
    for size in range(BIGGEST, SMALL - 1, -1):
        first, *others = big_text(text, size, plain)
        begins = re.compile(f"(?={re.escape(first.rstrip())})")
        for top, line in enumerate(lines):
            for left in (at.start() for at in begins.finditer(line)):
                below = lines[top + 1 : top + 1 + len(others)]
                pairs = zip(others, (row.ljust(200)[left:] for row in below), strict=False)
                if len(below) == len(others) and all(row[: len(part)] == part for part, row in pairs):
                    return size
    return None


def assert_readable(picture: Picture, size: tuple[int, int], *texts: str | tuple[str, ...]) -> None:
    """Each text, or one of its wordings, is drawn at 20 minutes of arc or more."""
    lines = drawn(picture, *size).splitlines()
    for wordings in texts:
        either = (wordings,) if isinstance(wordings, str) else wordings
        sizes = [found for text in either if (found := shown_size(lines, text, picture.plain)) is not None]
        assert sizes, wordings
        assert minutes_of_arc(capital_rows(max(sizes)), size[1]) >= PREFERRED, wordings


def at_work(phase: str, beat: float | None = None, **changes: object) -> Picture:
    """The sample's two bars, all layers, at 120 bpm with 12 minutes to go."""
    passage, instrument = lamp()
    shown = Picture(
        phase,
        "glance",
        Keymap().hints(phase),
        title="Lamps",
        item="climb  3 of 12",
        passage=passage,
        instrument=instrument,
        rung=Rung(120, 50, 130, landed=False, kept=False),
        tempo_bpm=120,
        beats=beats_of(passage, 120, 1),
        position_s=None if beat is None else beat * 60 / 120,
        beat=beat,
        minutes_left=11.4,
    )
    return replace(shown, **changes)


def node(text: str) -> tuple[str, str]:
    """A node with and without its brackets."""
    return text, text.replace("<", "").replace(">", "")


def unit(text: str) -> tuple[str, str]:
    """A number and its unit, with a full or a thin blank between them."""
    return text, text.replace(" ", THIN)


def test_a_fifteenth_of_the_screen_is_twenty_minutes_of_arc_on_a_laptop_at_two_metres():
    # SCREEN_MM is 174.3; 174.3 / 15 is 11.6 mm; at 2000 mm that is 20.0 minutes of arc.
    assert round(SCREEN_MM, 1) == 174.3
    assert minutes_of_arc(45 / READABLE, 45) == pytest.approx(PREFERRED, abs=0.05)
    assert [least_size(rows) for rows in (24, 30, 45, 60)] == [0, 0, 1, 1]


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("view", ["glance", "study"])
@pytest.mark.parametrize("size", SIZES)
def test_all_of_the_players_work_is_readable_from_two_metres_in_every_state(size, view, plain):
    def look(phase: str, beat: float | None = None, **changes: object) -> Picture:
        return at_work(phase, beat, view=view, plain=plain, **changes)

    left = unit("12 MIN")
    tempo = unit("120 BPM")
    nodes = node("GD<7>"), node("G<5>")
    assert_readable(look("ready"), size, *nodes, "E:0", "E:3", "READY", tempo, left)
    assert_readable(look("listening", 0.5), size, *nodes, "E:0", "E:3", "HEAR", tempo, left)
    assert_readable(look("playing", -1.5), size, "1 2 3 .", nodes[0], "E:0", "COUNT", tempo, left)
    assert_readable(look("playing", 0.5), size, *nodes, "E:0", "E:3", "BEAT 1", tempo, left)
    assert_readable(look("playing", 3.2), size, node("G<3.9>"), node("D<5>"), "E:0", "E:3", "BEAT 4")
    assert_readable(look("playing", 7.5), size, node("D<3.2>"), "E:3", "END", "BEAT 4")
    assert_readable(look("paused"), size, *nodes, "E:0", "E:3", "PAUSE", left)
    assert_readable(look("ready", unsaved=True), size, *nodes, "NOT SAVED", left)
    assert_readable(
        look("playing", 0.5, marks=(Fault(2, CHOKED),)), size, nodes[1], "BEAT 1", unit("1 FAILED")
    )
    counted = drawn(look("playing", -1.5, unsaved=True), *size).splitlines()
    assert shown_size(counted, "NOT SAVED", plain) is not None
    rest = Picture("rest", view, (), title="break", cue="Stand up.", plain=plain, minutes_left=11.4)
    assert_readable(rest, size, "BREAK", left)


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("size", SIZES)
def test_a_rating_shows_every_number_every_note_and_every_mark_readable_from_two_metres(size, plain):
    passage, _instrument = lamp()
    marks = (Fault(1, CHOKED), Fault(3, LATE))
    signs = [fault.result.ascii_sign if plain else fault.result.sign for fault in marks]
    assert_readable(at_work("rating", plain=plain), size, "CLEAN?", "12 MIN")
    counted = at_work("rating", -1.5, plain=plain, next_bpm=132)
    assert_readable(counted, size, "CLEAN?", "COUNT 3", *(["132 BPM"] if size[0] > 80 else []))
    assert_readable(at_work("rating", plain=plain, then="G<12>"), size, "CLEAN?", unit("THEN G<12>"))
    seen = set()
    for page in range(3):
        picture = at_work("rating", plain=plain, marks=marks, page=page)
        assert_readable(picture, size, "2 FAILED")
        lines = drawn(picture, *size).splitlines()
        for placed in passage.events:
            notes = "+".join(event_words(placed.label))
            found = [shown_size(lines, text, plain) for text in node(notes)]
            if any(one is not None and one >= least_size(size[1]) for one in found):
                seen.add(placed.label)
        assert page or all(shown_size(lines, sign, plain) is not None for sign in signs)
    assert seen == {placed.label for placed in passage.events}


def event_words(label: int) -> tuple[str, ...]:
    words = ("E:0", "GD<7>", "G<5>", "D<3.2>", "G<3.9>", "E:3", "D<5>", "D<3.9>", "D<3.2>")
    return (words[label - 1],)


def test_what_was_not_reached_does_not_count_as_failed():
    off = Fault(5, NOT_REACHED)
    assert_readable(at_work("rating", marks=(Fault(2, CHOKED), off)), (80, 24), "1 FAILED")
    assert_readable(at_work("rating", marks=(off,)), (80, 24), "BROKE OFF")


@pytest.mark.parametrize("view", ["glance", "study"])
@pytest.mark.parametrize("size", SIZES)
def test_the_next_low_note_is_as_large_as_the_next_node(size, view):
    lines = drawn(at_work("playing", 1.6, view=view), *size).splitlines()
    sizes = {shown_size(lines, text, plain=False) for text in node("D<3.2>")} - {None}
    assert shown_size(lines, "E:3", plain=False) in sizes


@pytest.mark.parametrize("view", ["glance", "study"])
def test_the_minutes_beside_tuning_are_said_to_be_the_sessions_and_its_reason_stands_once(view):
    why = "Tune first."
    alone = {"passage": None, "instrument": None, "rung": None, "beats": (), "title": "tune", "cue": why}
    tuning = at_work("rest", minutes_left=20, view=view, **alone)
    assert_readable(tuning, (80, 24), "TUNE", "SESSION", "20 MIN")
    assert drawn(tuning, 80, 24).count(why) == 1


@pytest.mark.parametrize("view", ["glance", "study"])
def test_the_beat_of_the_next_note_stands_above_it_and_on_the_track_of_the_beats(view):
    passage = lamp()[0]
    for beat in (0.5, 2.2, 3.6):
        coming = focus_at(passage, beat).next
        lines = drawn(at_work("playing", beat, view=view), 80, 24).splitlines()
        assert any(f"next, on {coming.count}  " in line for line in lines)
        track = next(line for line in lines if "███" in line and "··" in line)
        assert track.find("▒▒▒") == (int(coming.beat * 79 / 4) if coming.bar == 0 else -1)


def test_where_the_hand_stays_the_beat_of_the_next_note_is_as_large_as_the_note():
    lines = drawn(staying(0.5), 80, 24).splitlines()
    below = next(row for row, line in enumerate(lines) if line.startswith("next, on 3&  stay"))
    sizes = {shown_size(lines[below:], text, plain=False) for text in (f"ON{THIN}3&", "G<12>")}
    assert sizes == {1}
    assert_readable(staying(None), (80, 24), f"ON{THIN}3&")


@pytest.mark.parametrize("size", SIZES)
def test_the_beat_of_the_next_node_stands_beside_it_and_a_low_note_that_comes_later_has_its_own(size):
    lines = drawn(staying(0.5), *size).splitlines()
    below = next(row for row, line in enumerate(lines) if line.startswith("next, on 3&  stay"))
    # The second bar has a low note on 1, after the node on 3&.
    assert lines[below].rstrip().endswith("next low, on 1")
    low = lines[below].index("next low")
    drawn_below = lines[below + 1 : next(row for row in range(below, len(lines)) if not lines[row].strip())]
    taken = [any(line[column : column + 1].strip() for line in drawn_below) for column in range(low)]
    # The widest gap parts the low note from the node and its beat.
    gaps = [len(list(run)) for used, run in itertools.groupby(taken) if not used]
    assert len(gaps) > 3
    assert gaps[-1] > max(gaps[:-1])
    assert "next low, on" not in drawn(staying(3.7), *size)
    assert "next low, bar 4, on 1" in drawn(staying(4.5), 160, 45)


STAYING = """drill: 1
title: Buoy
instrument: bass
meter: 4/4
tempo: {start: 40, goal: 66}
phrases:
  - bars:
    - {bass: 1 E:0 for 4, harmonics: "1 G:<12>, 3& G:<12>"}
    - {bass: 1 E:0 for 4, harmonics: "1 G:<12>"}
    - {harmonics: "1 G:<12>"}
    - {bass: 1 A:0 for 4, harmonics: "1 G:<12>"}
"""


def staying(beat):
    """One node in every bar, over open strings."""
    drill, _ = read_drill(STAYING, "staying.yaml")
    assert drill is not None
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    return at_work(
        "ready" if beat is None else "playing",
        beat,
        passage=passage,
        instrument=drill.instrument,
        beats=beats_of(passage, 120, 1),
    )


def test_before_the_first_note_nothing_is_kept():
    for phase, beat, word in (("ready", None, "first low"), ("playing", 0.5, "keep")):
        text = drawn(at_work(phase, beat), 80, 24)
        assert text.splitlines()[1].split()[-len(word.split()) :] == word.split()
        assert (shown_size(text.splitlines(), "KEEP", plain=False) is not None) is (beat is not None)


def test_a_finger_that_stays_down_is_told_from_one_that_moves():
    kept = drawn(at_work("playing", 0.5), 80, 24).splitlines()
    moved = drawn(at_work("playing", 3.2), 80, 24).splitlines()
    assert shown_size(kept, "KEEP", plain=False) is not None
    assert shown_size(moved, "KEEP", plain=False) is None


def test_a_count_in_keeps_what_was_counted_and_shows_how_much_is_to_come():
    beats = beats_of(lamp()[0], 60, 1)
    texts = [picture_text(meters.draw_count, 80, 4, beats, index).splitlines() for index in range(4)]
    for index, expected in enumerate(("1 . . .", "1 2 . .", "1 2 3 .", "1 2 3 4")):
        assert shown_size(texts[index], expected, plain=False) == 1 or index < 3
    for before, after in itertools.pairwise(texts):
        assert shown_size(after, "1 2", plain=False) == 1
        assert before != after


def test_two_bars_of_count_in_stand_below_each_other_or_one_alone():
    beats = beats_of(lamp()[0], 60, 2)
    both = picture_text(meters.draw_count, 80, 8, beats, 5).splitlines()
    assert shown_size(both[:4], "1 2 3 4", plain=False) == 1
    assert shown_size(both[4:], "1 2", plain=False) == 1
    one = picture_text(meters.draw_count, 80, 4, beats, 5).splitlines()
    assert shown_size(one, "1 2", plain=False) == 1
    assert meters.counts(beats) == [[1, 2, 3, 4], [1, 2, 3, 4]]


def twelve() -> Passage:
    """Four bars over low notes: twelve events."""
    low = event("bass", "0", "4", Note(string=3, fret=0))
    drill = long_drill(4)
    bars = tuple(replace(bar, events=(low, *bar.events)) for bar in drill.phrases[0].bars)
    phrase = replace(drill.phrases[0], bars=bars, layers=("bass", "harmonics"))
    return passage_of(replace(drill, phrases=(phrase,)), Excerpt("long", ("p",)))


def test_an_event_has_its_number_and_where_that_is_no_key_the_letter_under_the_digit_too():
    passage = twelve()
    sheet = sheet_of(passage, BASS, 159, 36, 1)
    keys = keys_on(passage, sheet, 0)
    assert [keys[label] for label in range(1, 13)] == list("1234567890qw")
    assert "".join(keys.values()) == LABEL_KEYS[:12]
    shown = picture_text(draw_sheet, 159, 36, passage, BASS, sheet, SheetLook())
    for label, key in ((10, "0"), (11, "Q"), (12, "W")):
        assert shown_size(shown.splitlines(), key, plain=False) == sheet.size
        assert f" {label}, bar " in shown
    taken = {key for action in Keymap().in_scope(RATING) for key in action.keys}
    assert not taken & set(LABEL_KEYS)


@pytest.mark.parametrize(("events", "keys"), [(1, "1"), (6, "1-6"), (10, "1-0"), (11, "1-q"), (20, "1-p")])
def test_the_key_line_names_the_keys_that_mark(events, keys):
    assert key_range(events) == keys


def test_a_long_passage_gives_its_keys_to_the_events_of_the_open_page():
    drill = long_drill(24)
    passage = passage_of(drill, Excerpt("long", ("p",)))
    sheet = sheet_of(passage, BASS, 79, 16, 0)
    assert [label for page in sheet.pages for label in page] == list(range(1, 49))
    for page, labels in enumerate(sheet.pages):
        assert list(keys_on(passage, sheet, page)) == list(labels)
        assert list(keys_on(passage, sheet, page).values()) == list(LABEL_KEYS[: len(labels)])
        assert all(sheet.page_of(label) == page for label in labels)


def test_where_a_line_of_words_has_no_room_bar_and_beat_stand_beside_the_notes():
    passage = twelve()
    sheet = sheet_of(passage, BASS, 84, 18, 0)
    assert not sheet.words
    shown = picture_text(draw_sheet, 84, 18, passage, BASS, sheet, SheetLook())
    for bar in range(1, 5):
        assert shown.count(f"bar {bar}") == 3
    assert shown.count("beat 1") == 8


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("path", builtin_drills(), ids=lambda path: path.stem)
def test_nodes_have_their_brackets_and_marked_events_their_bars_at_every_size(path, size):
    drill = load_drill(path)
    for phrase in drill.phrases:
        passage = passage_of(drill, Excerpt(drill.id, (phrase.id,)))
        picture = at_work("ready", passage=passage, instrument=drill.instrument)
        focus = focus_at(passage, None)
        for view in ("glance", "study"):
            lines = drawn(replace(picture, view=view), *size).splitlines()
            for shown in (focus.now, focus.next):
                for text in text_of(drill, shown).split("+"):
                    assert shown_size(lines, text, plain=False) is not None, (phrase.id, view, text)
        box, least = layout_of(picture, *size)["sheet"], least_size(size[1])
        sheet = sheet_of(passage, drill.instrument, box.width, box.height, least)
        pages = [
            picture_text(draw_sheet, box.width, box.height, passage, drill.instrument, sheet, SheetLook(page))
            for page in range(len(sheet.pages))
        ]
        assert sum(page.count("bar ") for page in pages) == len(passage.events)
        for page, text in {(sheet.page_of(each.label), text_of(drill, each)) for each in passage.events}:
            assert shown_size(pages[page].splitlines(), text, plain=False) == sheet.size


def text_of(drill: Drill, event_: PlacedEvent) -> str:
    return written(event_, drill.instrument)


def test_a_touch_finds_the_event_under_the_finger():
    passage, instrument = lamp()
    sheet = sheet_of(passage, instrument, 79, 16, 0)
    for place, label in enumerate(sheet.pages[0]):
        line, across = divmod(place, sheet.across)
        at = across * sheet.columns + 3, line * sheet.line_rows + 1
        assert event_at(sheet, SheetLook(), *at) == label
    assert event_at(sheet, SheetLook(), 78, 15) in (0, *sheet.pages[0])


def test_while_marking_the_key_line_tells_which_events_a_key_turns_to():
    picture = at_work("rating", passage=twelve())
    layout = layout_of(picture, 80, 24)
    assert layout["sheet"].height == 16
    assert " → 9-12 " in drawn(picture, 80, 24).splitlines()[-1]
    assert "← 1-8" in drawn(replace(picture, page=1), 80, 24).splitlines()[-1]
    assert "→" not in drawn(at_work("rating"), 160, 45).splitlines()[-1]


@pytest.mark.parametrize("brush", [row for row in RESULTS if not row.rest])
def test_the_key_line_has_every_result_on_eighty_columns_and_says_what_the_next_key_marks(brush):
    marked = replace(
        at_work("rating", passage=twelve(), marks=(Fault(2, CHOKED),), brush=brush),
        hints=Keymap().hints(RATING),
    )
    line = drawn(marked, 80, 24).splitlines()[-1]
    assert f" 1-w {brush.word} " in line
    for row in RESULTS:
        assert row.rest or row is brush or f" {row.key} {row.word} " in line
    assert " b why " in line
    assert " b why " not in drawn(replace(marked, marks=()), 80, 24)


def test_a_marked_event_has_its_word_where_the_words_stand_beside_the_notes():
    passage = twelve()
    sheet = replace(sheet_of(passage, BASS, 99, 23, 0), words=False, columns=49, across=2)
    look = SheetLook(marks=(Fault(1, CHOKED), Fault(10, LATE)))
    rows = picture_text(draw_sheet, 99, 23, passage, BASS, sheet, look).splitlines()
    first, tenth = [line[:49] for line in rows[:3]], rows[12:15]
    assert [line[32:].strip() for line in first] == ["bar 1", "beat 1", "choked"]
    assert [line[81:].strip() for line in tenth] == ["10", "late", "beat 1"]


def test_the_cursor_is_a_bar_beside_its_event_and_not_a_colour_alone():
    with_cursor = drawn(at_work("rating", cursor=2), 80, 24)
    assert with_cursor != drawn(at_work("rating"), 80, 24)
