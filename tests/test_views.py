"""The pure views: what they draw, letter by letter, and what holds for every picture they can draw."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.folder.actions import LABEL_KEYS, Keymap
from coach.learning.readings import Rung
from coach.music.clicktrack import beats_of
from coach.music.drill import Bar, Drill, Note, Phrase, Tempo
from coach.music.excerpt import Excerpt, Kind, whole_phrase
from coach.music.passages import passage_of
from coach.music.rhythm import Meter
from coach.rating.fault import Fault
from coach.rating.table import CHOKED
from coach.score.load import load_drill
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nodes_upto
from coach.strings.ready_made import ready_made
from coach.tui import bigview, marking, meters, neck
from coach.tui.canvas import Canvas, fitted, text_width, wrapped
from coach.tui.focus import focus_at, leads, move_between
from coach.tui.glyphs import NONE, SMALL, big_text, big_width, largest_size, rows_high
from coach.tui.hands import Kept, needs_of
from coach.tui.lane import LaneLook, draw_lane, pages_of, shown_parts
from coach.tui.layout import Needs, layout_for
from coach.tui.picture import Picture
from coach.tui.reports_screen import shown_lines
from coach.tui.small import draw_small
from coach.tui.tour import page_text
from tests.samples import BASS, FOUR_FOUR, event, harmonic, sample_drill
from tests.screens import as_text, drawn, lamp, picture_text


def test_the_lane_shows_held_bass_ringing_harmonics_labels_and_count():
    passage, instrument = lamp()
    pages = pages_of(passage, instrument, 80, 9)
    assert picture_text(draw_lane, 80, 8, passage, instrument, pages, LaneLook(beat=1.3)).splitlines() == [
        "   bar 1                                  bar 2",
        "    2             3         4     5        7         8         9",
        "G │<7>╌╌╌╌╌╌╌╌╌╌ <5>╌╌╌╌╌      <3.9>?╌╌╌ │·        ·         ·        ·",
        "D │<7>?╌╌╌╌╌╌╌╌╌      ·   <3.2>·         │<5>╌╌╌╌╌ <3.9>╌╌╌╌ <3.2>╌╌╌╌╌╌╌╌╌╌╌╌╌",
        "A │·        ·         ·        ·         │·        ·         ·        ·",
        "E │0━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━ │3━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━━",
        "  │1   &    2  ▲ &    3   &    4    &    │1   &    2    &    3   &    4    &",
        "   1                                      6",
    ]


def test_the_lane_without_blocks_is_ascii_and_says_the_same():
    passage, instrument = lamp()
    pages = pages_of(passage, instrument, 80, 9)
    look = LaneLook(marks={2: ("x", "choked")})
    text = picture_text(draw_lane, 80, 8, passage, instrument, pages, look, plain=True)
    assert text.isascii()
    assert "2x" in text
    assert "E |0====" in text


def test_what_must_be_damped_or_rings_over_is_drawn_where_the_drill_marks_it():
    damp = replace(harmonic(0, "1/3"), ending="damp")
    ring = replace(harmonic(1, "1/4"), ending="ring")
    bar = Bar(FOUR_FOUR, Fraction(4), (event("h", "0", "1", damp), event("h", "2", "1", ring)))
    drill = Drill("x", "X", BASS, Tempo(50, 60), (Phrase("p", "P", (bar,), ("h",)),))
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    pages = pages_of(passage, BASS, 80, 9)
    text = picture_text(draw_lane, 80, pages.height, passage, BASS, pages, LaneLook())
    assert "╌■" in text
    assert "╌→" in text


def long_drill(bars: int, instrument: Instrument = BASS) -> Drill:
    many = tuple(
        Bar(
            FOUR_FOUR,
            Fraction(4),
            (
                event("harmonics", "0", "2", harmonic(0, "1/3")),
                event("harmonics", "2", "2", harmonic(1, "1/4")),
            ),
        )
        for _ in range(bars)
    )
    return Drill("long", "Long", instrument, Tempo(50, 80), (Phrase("p", "P", many, ("harmonics",)),))


def test_the_lane_turns_its_left_half_once_the_right_bar_is_under_way():
    drill = long_drill(4)
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    pages = pages_of(passage, BASS, 80, 9)
    turns = [shown_parts(pages, LaneLook(beat=beat)) for beat in (0.0, 3.9, 4.5, 5.0, 8.0, 11.9, 13.5)]
    assert turns == [[0, 1], [0, 1], [0, 1], [2, 1], [2, 3], [2, 3], [2, 3]]
    text = picture_text(draw_lane, 80, pages.height, passage, BASS, pages, LaneLook(beat=5.5))
    assert "bar 3 next" in text.splitlines()[0]


@pytest.mark.parametrize(("columns", "height"), [(80, 8), (120, 11), (200, 11)])
def test_crowded_bars_are_spread_until_no_note_hides_another(columns, height):
    sixteenths = tuple(
        event("harmonics", f"{place}/4", "1/4", harmonic(place % 2, "1/6")) for place in range(16)
    )
    bar = Bar(FOUR_FOUR, Fraction(4), sixteenths)
    drill = Drill("x", "X", BASS, Tempo(50, 60), (Phrase("p", "P", (bar, bar), ("harmonics",)),))
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    pages = pages_of(passage, BASS, columns, height)
    shown = 0
    for part in pages.parts[:: pages.abreast]:
        text = picture_text(
            draw_lane, columns, height, passage, BASS, pages, LaneLook(beat=float(part.start))
        )
        shown += text.count("<3.2>")
    assert shown == 32


def test_now_next_and_held_follow_the_beat():
    passage, _instrument = lamp()
    at_start = focus_at(passage, None)
    assert (at_start.now.label, at_start.next.label) == (2, 3)
    assert [event.label for event in at_start.held] == [1]
    in_bar_two = focus_at(passage, 5.2)
    assert (in_bar_two.now.label, in_bar_two.next.label) == (8, 9)
    assert [event.label for event in in_bar_two.held] == [6]
    assert focus_at(passage, 7.9).next is None
    counting = focus_at(passage, -2.0)
    assert (counting.now, counting.next.label, counting.next_held.label) == (None, 2, 1)


def test_a_held_note_is_kept_where_it_lasts_beyond_the_next_node():
    passage, _instrument = lamp()
    assert focus_at(passage, 0.0).keeps
    last_of_bar_one = focus_at(passage, 3.2)
    assert not last_of_bar_one.keeps
    assert last_of_bar_one.next_held.label == 6


def test_the_next_move_says_which_way_and_how_far():
    passage, instrument = lamp()
    move = move_between(passage.event(2), passage.event(3), instrument)
    # 864 mm: node 1/3 at 288.0, node 1/4 at 216.0 (position = scale x k/n, exact).
    assert (move.way, round(move.distance_mm, 3)) == ("nut", 72.0)
    assert round(move.distance_frets, 2) == 2.04  # 7.0196 - 4.9804, closed form of the node's fret
    assert bigview.way_text(move, 40) == "← 72 mm toward the nut  2.0 frets"
    assert bigview.way_text(move, 22) == "← 72 mm toward the nut"
    assert bigview.way_text(move, 40, left_handed=True).startswith("→ 72 mm toward the nut")


def test_open_strings_have_no_place_to_stay_at():
    notes = [
        Note(3, fret=0),
        Note(2, fret=0),
        Note(2, fret=0),
        Note(0, node=Node(1, 2)),
        Note(1, node=Node(1, 2)),
    ]
    events = tuple(event("bass", f"{half}/2", "1/2", note) for half, note in enumerate(notes))
    bar = Bar(FOUR_FOUR, Fraction(4), events)
    drill = replace(sample_drill(), phrases=(Phrase("open", "Open", (bar,), ("bass",)),))
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    ways = [
        bigview.way_text(move_between(*pair, drill.instrument), 40)
        for pair in itertools.pairwise(passage.events)
    ]
    assert ways == ["another string", "same string", "another string", "same place, another string"]
    assert bigview.way_text(move_between(*passage.events[3:], drill.instrument), 20) == "another string"


def test_the_fretboard_is_to_scale_and_mirrored_for_left_handed_players():
    passage, instrument = lamp()
    window = neck.board_for(passage, instrument, 6)
    right = picture_text(neck.draw_neck, 82, 5, passage, window, focus_at(passage, 0)).splitlines()
    mirrored = replace(window, left_handed=True)
    left = picture_text(neck.draw_neck, 82, 5, passage, mirrored, focus_at(passage, 0)).splitlines()
    per_column = (window.high_mm - window.low_mm) / 79
    for line, sign in ((right[1], "●"), (right[1], "○")):
        mm = window.low_mm + (line.index(sign) - 2) * per_column
        wanted = 288.0 if sign == "●" else 216.0
        assert abs(mm - wanted) <= per_column / 2
    assert left[1].index("●") == 2 + 79 - (right[1].index("●") - 2)


def test_every_line_of_glyphs_is_as_tall_as_its_size_says():
    for size in range(7):
        rows = big_text("D<3.2>", size)
        assert len(rows) == rows_high(size)
        assert {len(row) for row in rows} == {big_width("D<3.2>", size)}


def test_glyphs_tell_all_characters_of_nodes_and_tempos_apart():
    letters = "0123456789ABCDEFGb#<>.+-→←"
    for plain in (False, True):
        for size in (0, 1):
            drawn_letters = [big_text(letter, size, plain) for letter in letters]
            assert len(set(drawn_letters)) == len(letters)
    assert "".join(big_text("D<3.2>#b", 2, plain=True)).isascii()


@given(st.text(alphabet="ABCDEFG0123456789<>.#b+ é中", max_size=12), st.integers(8, 200), st.integers(4, 60))
@settings(max_examples=60, deadline=None)
def test_big_writing_never_leaves_its_place(text, columns, rows):
    size = largest_size(text, columns, rows)
    if size != NONE:
        picture = big_text(text, size)
        assert len(picture) <= rows
        assert max(map(len, picture), default=0) <= columns


@given(
    st.sampled_from(["ready", "listening", "playing", "rating", "paused"]),
    st.sampled_from(["glance", "study"]),
    st.floats(-4, 9),
    st.sampled_from([(80, 24), (97, 31), (120, 40), (200, 60)]),
    st.booleans(),
    st.booleans(),
    st.sets(st.integers(1, 9), max_size=5),
)
@settings(max_examples=60, deadline=None)
def test_every_session_picture_fits_its_terminal_and_ascii_stays_ascii(
    phase, view, beat, size, plain, left_handed, marked
):
    passage, instrument = lamp()
    playing = phase in ("listening", "playing")
    picture = Picture(
        phase,
        view,
        Keymap().hints(phase),
        title="Lamps",
        item="cold  1 of 3",
        passage=passage,
        instrument=instrument,
        rung=Rung(50, 50, 80, landed=False, kept=False),
        tempo_bpm=55,
        beats=beats_of(passage, 55, 1),
        position_s=beat * 60 / 55 if playing else None,
        beat=beat if playing else None,
        marks=tuple(Fault(label, CHOKED) for label in sorted(marked)) if phase == "rating" else (),
        plain=plain,
        left_handed=left_handed,
    )
    text = drawn(picture, *size)
    lines = text.splitlines()
    assert len(lines) <= size[1]
    assert max(map(text_width, lines)) <= size[0]
    assert not plain or text.isascii()


@pytest.mark.parametrize("lows", [("A:0", "E:0"), ("E:0", "A:0"), ("D:3", "A:12")])
def test_the_low_pane_holds_each_low_note_at_its_size(lows):
    boxes = layout_for("study", 80, 24, Needs(4, lows))
    assert boxes["low"].width >= max(big_width(low, SMALL) for low in lows)


@pytest.mark.parametrize("strings", [1, 4, 5, 6, 8, 12])
@pytest.mark.parametrize("view", ["glance", "study"])
def test_panes_keep_their_places_and_never_overlap(view, strings):
    for size in ((80, 24), (81, 25), (100, 30), (120, 40), (132, 43), (200, 60)):
        boxes = dict(layout_for(view, *size, Needs(strings, ("E:12",))))
        for name in ("sheet", "count"):
            boxes.pop(name)  # these take the place of others while a repetition is rated or counted in
        taken = set()
        for name, box in boxes.items():
            assert box.x >= 0
            assert box.x + box.width <= size[0], name
            assert box.y + box.height <= size[1], name
            cells = {
                (x, y) for x in range(box.x, box.x + box.width) for y in range(box.y, box.y + box.height)
            }
            assert not cells & taken, name
            taken |= cells


def test_the_beat_mark_walks_on_with_the_music_and_never_back_inside_a_bar():
    passage, _instrument = lamp()
    beats = beats_of(passage, 60, 1)
    walks = [meters.walk_at(beats, -4 + step / 20) for step in range(240)]
    columns = [(walk[0], meters.walker_column(beats, walk, 40)) for walk in walks]
    for (index, column), (later, after) in itertools.pairwise(columns):
        assert later - index in (0, 1)
        same_bar = beats[index].bar == beats[later].bar
        assert after >= column or not same_bar
    assert {beats[index].number for index, _ in columns} == {1, 2, 3, 4}


@pytest.mark.parametrize("beats_in_bar", [2, 3, 4, 7])
def test_no_cell_of_beat_or_track_flashes_more_than_three_times_a_second(beats_in_bar):
    # WCAG 2.2, 2.3.1: at most three flashes in any second; here at the fastest tempo, 300 bpm.
    bar = Bar(Meter.of(beats_in_bar, 4), Fraction(beats_in_bar), (event("h", "0", "1", harmonic(0, "1/3")),))
    drill = Drill("x", "X", BASS, Tempo(50, 300), (Phrase("p", "P", (bar,) * 8, ("h",)),))
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    beats = beats_of(passage, 300, 1)
    frames = []
    for frame in range(60):
        at_s = frame / 60
        walk = meters.walk_at(beats, at_s)
        index, _ = walk
        if beats[index].bar < 0:
            shown = picture_text(meters.draw_count, 80, 4, beats, index)
        else:
            shown = picture_text(meters.draw_band, 80, 4, [(f"BEAT {beats[index].number}", "now")])
        walker = index, meters.walker_column(beats, walk, 80)
        frames.append(shown + "\n" + picture_text(meters.draw_track, 80, 1, beats, walker, None))
    padded = [[line.ljust(80) for line in frame.splitlines()] for frame in frames]
    for row in range(len(padded[0])):
        for column in range(80):
            lit = [frame[row][column] in "█▀▄" for frame in padded]
            flashes = sum(after and not before for before, after in itertools.pairwise(lit))
            assert flashes <= 3


def test_the_rung_line_tells_rung_goal_and_whether_it_was_held():
    rung = Rung(57, 40, 80, landed=False, kept=False)
    text = picture_text(meters.draw_rung, 80, 1, rung, 57)
    assert text.startswith("rung 57")
    assert text.rstrip().endswith("goal 80")
    assert picture_text(meters.draw_rung, 80, 1, replace(rung, landed=True), 57).rstrip().endswith("landed")
    assert (
        picture_text(meters.draw_rung, 80, 1, replace(rung, landed=True, kept=True), 57)
        .rstrip()
        .endswith("kept")
    )
    assert picture_text(meters.draw_rung, 80, 1, rung, 60).startswith("at 60, rung 57")
    assert meters.way_done(rung, 57) == pytest.approx(0.511, abs=0.001)


def test_pressing_a_key_again_goes_round_the_notes_of_a_double_stop():
    passage, instrument = lamp()
    two = passage.event(2)
    first = marking.pressed(2, CHOKED, (), two)
    second = marking.pressed(2, CHOKED, (first,), two)
    third = marking.pressed(2, CHOKED, (second,), two)
    assert [first.note, second.note, third.note] == [0, 1, 2]
    assert marking.pressed(2, CHOKED, (third,), two) == third
    assert marking.signs((third,), passage, instrument) == {2: ("×D", "choked")}


def test_text_is_cut_and_wrapped_by_cells_and_control_characters_never_pass():
    assert fitted("abcdef", 4) == "abc…"
    assert text_width("中a") == 3
    assert wrapped("one two three", 7) == ["one two", "three"]
    canvas = Canvas(6, 1)
    canvas.put(0, 0, "a\x1b[2Jb中")
    assert as_text(canvas.rows()) == "a?[2Jb"
    plain = Canvas(6, 1, plain=True)
    plain.put(0, 0, fitted("abcdéf", 5))
    assert as_text(plain.rows()) == "abcd~"


def test_a_single_node_excerpt_and_the_whole_piece_are_drawn_too():
    drill = sample_drill()
    node_key = drill.instrument.node_key(0, Node(1, 3))
    for excerpt in (
        Excerpt(drill.id, ("lamp",), "harmonics", Kind.NODE, subject=node_key),
        Excerpt(drill.id, ("lamp", "wick"), kind=Kind.PIECE),
    ):
        passage = passage_of(drill, excerpt)
        picture = Picture(
            "ready",
            "study",
            Keymap().hints("ready"),
            passage=passage,
            instrument=drill.instrument,
            rung=Rung(50, 50, 80, landed=False, kept=False),
            tempo_bpm=50,
            beats=beats_of(passage, 50, 1),
        )
        assert "bar 1" in drawn(picture, 80, 24)


def test_compound_meters_and_pick_ups_count_as_players_do():
    meter = Meter.of(6, 8, 2)
    pickup = Bar(meter, Fraction(1, 3), (event("harmonics", "5/3", "1/3", harmonic(0, "1/3")),))
    full = Bar(meter, Fraction(2), (event("harmonics", "0", "2", harmonic(0, "1/4")),))
    drill = Drill(
        "x", "X", BASS, Tempo(50, 60, Fraction(3, 8)), (Phrase("p", "P", (pickup, full), ("harmonics",)),)
    )
    passage = passage_of(drill, whole_phrase(drill, drill.phrases[0]))
    pages = pages_of(passage, BASS, 80, 9)
    lines = picture_text(draw_lane, 80, pages.height, passage, BASS, pages, LaneLook()).splitlines()
    assert lines[6].split("│")[1].strip() == ""
    assert lines[6].split("│")[2].split() == ["1", "&", "2", "&"]


def test_the_node_view_tells_the_facts_of_a_node():
    from coach.tui.nodes_screen import draw_node

    text = picture_text(draw_node, 80, 23, BASS, 1, Node(1, 5), {}, False)
    # Partial 5 of D2: 367.08 Hz, 13.7 cents under F#4 (harmonic series against equal temperament).
    assert "F#4 -14 cents" in text
    assert "173 to 174 mm from the nut" in text  # 864 / 5 = 172.8, and 1/5 of 5 mm of set-back
    assert "the larger if the saddle is set back" in text
    # A pluck at a node of partial 5, at k/5 of 864 mm, does not excite it (Young's law, 1800; from memory).
    assert "silent at 173, 346" in text
    for node in nodes_upto(9):
        assert picture_text(draw_node, 80, 23, BASS, 0, node, {}, False, plain=True).isascii()


def four_bars(phase: str, **changes: object) -> Picture:
    """A phrase of four bars over an open low string, as the session shows it."""
    low = event("bass", "0", "4", Note(string=3, fret=0))
    bars = tuple(replace(bar, events=(low, *bar.events)) for bar in long_drill(4).phrases[0].bars)
    phrase = Phrase("p", "P", bars, ("bass", "harmonics"))
    passage = passage_of(replace(long_drill(4), phrases=(phrase,)), Excerpt("long", ("p",)))
    shown = Picture(
        phase,
        "glance",
        Keymap().hints(phase),
        title="Long",
        passage=passage,
        instrument=BASS,
        rung=Rung(50, 50, 80, landed=False, kept=False),
        tempo_bpm=50,
        beats=beats_of(passage, 50, 1),
    )
    return replace(shown, **changes)


@pytest.mark.parametrize("size", [(79, 24), (40, 10), (30, 5)])
@pytest.mark.parametrize("phase", ["ready", "playing", "rating"])
def test_a_window_too_small_says_so_and_still_tells_what_to_play(size, phase):
    beat = {"beat": 0.5, "position_s": 0.6} if phase == "playing" else {}
    lines = picture_text(draw_small, *size, four_bars(phase, **beat)).splitlines()
    assert len(lines) == size[1]
    assert "window too small: 80 x 24 at least".startswith(lines[0].rstrip("…"))
    assert "now G<7>  next D<5>" in lines[1]
    assert lines[2].startswith("hold E:0")
    assert "space" in lines[-1]


def test_a_window_too_small_counts_in_the_first_note_and_the_low_one_under_it():
    lines = picture_text(draw_small, 60, 20, four_bars("playing", beat=-2.0, position_s=0.1)).splitlines()
    assert lines[1].split("  ")[0].rstrip() == "first G<7>"
    assert lines[2].rstrip() == "first low E:0"


def test_a_window_too_small_names_the_keys_that_there_are_for_a_passage_of_more_events():
    long = long_drill(12)
    passage = passage_of(long, Excerpt("long", ("p",)))
    assert len(passage.events) > len(LABEL_KEYS)
    lines = picture_text(draw_small, 79, 24, four_bars("rating", passage=passage)).splitlines()
    assert f"1-{LABEL_KEYS[-1]} choked" in lines[-1]


def test_an_assignment_stands_in_the_header_as_long_as_it_fits():
    asked = ("assigned by Ana: goal 64 by 20 Dec", "goal 64 by 20 Dec")
    picture = four_bars("ready", assigned=asked, item="climb  3 of 12")
    assert asked[0] in drawn(picture, 80, 24).splitlines()[0]
    crowded = replace(picture, item="climb  3 of 12  runs on and on")
    head = drawn(crowded, 80, 24).splitlines()[0]
    assert asked[0] not in head
    assert asked[1] in head


def test_the_way_to_the_tours_first_node_is_computed_for_the_instrument():
    # 864 mm: node 1/6 at 144.0 (scale x k/n), fret 3 at 137.46 (864 x (1 - 2^(-3/12))): 6.54 mm past the wire.
    assert "about 7 mm past fret wire 3, toward the bridge" in page_text(0, BASS)
    # A sixth of 1050 mm, on a neck without wires.
    assert "175 mm from the nut" in page_text(0, ready_made("double-bass"))


def test_a_line_of_the_report_that_is_too_long_goes_on_below():
    lines = [text for _, text in shown_lines(["Head", "", "one two three four five"], 14)]
    assert lines == ["Head", "", "one two", "    three four", "    five"]


@pytest.mark.parametrize("view", ["glance", "study"])
@pytest.mark.parametrize("name", ["lantern-on-the-weir", "the-mill-at-turning-tide"])
def test_an_artificial_harmonic_is_written_large_with_its_stop_and_its_touch(view, name):
    drill = load_drill(Path(__file__).parent.parent / "drills" / f"{name}.yaml")
    for phrase in drill.phrases:
        passage = passage_of(drill, whole_phrase(drill, phrase))
        boxes = layout_for(view, 80, 24, needs_of(Kept(passage, drill.instrument)))
        leading = [one for one in passage.events if leads(passage, one)]
        look = bigview.look_for(leading, drill.instrument, boxes["now"].width, boxes["now"].height)
        for one in leading:
            if any(placed.note.stop for placed in one.notes):
                (text,) = bigview.event_lines(one, drill.instrument, look)
                assert text.endswith(">")
                assert big_width(text, look.size) <= boxes["now"].width


@pytest.mark.parametrize("strings", [4, 5, 6])
def test_the_fretboard_goes_from_edge_to_edge_where_there_are_rows_for_it(strings):
    needs = Needs(strings, ("E:0",))
    for width, height in ((160, 45), (200, 60)):
        boxes = layout_for("study", width, height, needs)
        assert boxes["neck"].width == width - 1
        assert boxes["neck"].height == strings + 1
        assert boxes["next"].y + boxes["next"].height <= boxes["neck"].y
        assert boxes["neck"].y + boxes["neck"].height < boxes["lane"].y
    beside = layout_for("study", 100, 30, Needs(4, ("E:0",)))["neck"]
    assert beside.x > 0
    assert beside.y == 1
