"""Colours: enough contrast, nothing told by colour alone, and terminals with few colours or none."""

from __future__ import annotations

import itertools

import pytest

from coach.tui.theme import (
    PALETTES,
    PLAIN_THEME,
    ROLES,
    few_colours,
    styles_for,
)
from tests.screens import running, screen_text, session_of
from tests.test_tui_session import DRILL, play_to_end, to_ready

BIG_ROLES = (
    "text",
    "now",
    "next",
    "bass",
    "ring",
    "beat",
    "key",
    "choked",
    "late",
    "dropped",
    "good",
)
"""What must be read at once and from afar: 7:1."""
LINE_ROLES = ("rule",)

# Full deficiency of each kind of cone: linear-RGB matrices for severity 1.0 (Machado, Oliveira and Fernandes 2009,
# IEEE Trans. Vis. Comput. Graph. 15(6):1291-1298, table of pre-computed matrices; typed in from memory).
DEFICIENCIES = {
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def linear(byte: int) -> float:
    """A byte of an sRGB colour as its share of light (IEC 61966-2-1)."""
    share = byte / 255
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def seen_by(colour: str, kind: str) -> str:
    """The colour as an eye of this kind sees it."""

    def byte(share: float) -> int:
        share = min(max(share, 0.0), 1.0)
        return round(255 * (12.92 * share if share <= 0.0031308 else 1.055 * share ** (1 / 2.4) - 0.055))

    rgb = [linear(int(colour[at : at + 2], 16)) for at in (1, 3, 5)]
    mixed = [sum(weight * part for weight, part in zip(row, rgb, strict=True)) for row in DEFICIENCIES[kind]]
    return "#" + "".join(f"{byte(share):02x}" for share in mixed)


def relative_luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    red, green, blue = (linear(int(colour[at : at + 2], 16)) for at in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    low, high = sorted((relative_luminance(one), relative_luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_wcag():
    # WCAG 2.2, definition of contrast ratio: white on black is 21:1; #767676 on white is the well-known 4.54:1.
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
    assert relative_luminance("#ffffff") == pytest.approx(1.0)


@pytest.mark.parametrize("theme", PALETTES)
def test_big_things_have_seven_to_one_and_other_text_four_and_a_half(theme):
    for role in ROLES:
        least = 7.0 if role in BIG_ROLES else 3.0 if role in LINE_ROLES else 4.5
        assert contrast(PALETTES[theme].inks[role], PALETTES[theme].background) >= least, role


@pytest.mark.parametrize("theme", PALETTES)
def test_a_chosen_row_and_surfaces_keep_seven_to_one(theme):
    palette = PALETTES[theme]
    for ground in (palette.surface, palette.cursor):
        assert contrast(palette.inks["text"], ground) >= 7.0


@pytest.mark.parametrize("kind", DEFICIENCIES)
@pytest.mark.parametrize("theme", PALETTES)
def test_big_things_keep_their_contrast_for_every_kind_of_eye(theme, kind):
    for role in BIG_ROLES:
        colours = PALETTES[theme].inks[role], PALETTES[theme].background
        ink, ground = (seen_by(colour, kind) for colour in colours)
        assert contrast(ink, ground) >= 4.5, role


def test_a_theme_without_colour_still_tells_marks_and_the_chosen_key_apart():
    styles = styles_for(PLAIN_THEME)
    looks = {
        role: (bool(style.bold), bool(style.reverse), bool(style.underline)) for role, style in styles.items()
    }
    assert looks["choked"] != looks["text"]
    assert looks["late"] != looks["text"]
    assert looks["now"] != looks["next"]
    assert looks["key"] != looks["text"]


def test_what_failed_is_told_by_signs_and_not_by_colour_alone():
    from coach.rating.fault import Fault
    from coach.rating.table import CHOKED, DROPPED, LATE, NOT_REACHED
    from coach.tui.canvas import ascii_text
    from coach.tui.marking import signs
    from tests.screens import lamp

    passage, instrument = lamp()
    outcomes = (CHOKED, LATE, DROPPED, NOT_REACHED)
    drawn = [signs((Fault(3, outcome),), passage, instrument)[3][0] for outcome in outcomes]
    for shown in (drawn, [ascii_text(sign) for sign in drawn]):
        assert all(one != other for one, other in itertools.combinations(shown, 2))


@pytest.mark.parametrize(
    ("environment", "few"),
    [
        ({"TERM": "xterm-256color"}, False),
        ({"TERM": "xterm", "COLORTERM": "truecolor"}, False),
        ({"TERM": "xterm"}, True),
        ({"TERM": "linux"}, True),
        ({"TERM": "vt100"}, True),
        ({"TERM": "xterm-256color", "NO_COLOR": "1"}, True),
        ({"TERM": "xterm-256color", "NO_COLOR": ""}, False),
        ({}, False),
    ],
)
def test_terminals_of_few_colours_are_known_by_their_name(environment, few):
    assert few_colours(environment) is few


async def test_no_color_paints_no_colour_at_all(tmp_path, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        await pilot.press("v")
        for strip in app.screen._compositor.render_strips():
            for segment in strip.apply_filter(app._filters[-1], app.background_colors[1]):
                if segment.style is not None:
                    assert segment.style.color is None or segment.style.color.is_default
                    assert segment.style.bgcolor is None or segment.style.bgcolor.is_default


@pytest.mark.parametrize("theme", PALETTES)
async def test_a_marked_repetition_on_the_screen_is_readable_for_every_kind_of_eye(
    tmp_path, monkeypatch, theme
):
    monkeypatch.setenv("COLORTERM", "truecolor")
    async with running(tmp_path, drills=DRILL, theme=theme, view="study") as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("1", "l", "2", "d", "3", "right")
        pairs = {
            (segment.style.color.get_truecolor().hex, segment.style.bgcolor.get_truecolor().hex)
            for strip in app.screen._compositor.render_strips()
            for segment in strip
            if segment.text.strip() and segment.style and segment.style.color and segment.style.bgcolor
        }
        assert len(pairs) >= 8
        rule = PALETTES[theme].inks["rule"], PALETTES[theme].background
        for ink, ground in pairs:
            for kind in DEFICIENCIES:
                least = 2.5 if (ink, ground) == rule else 4.5
                assert contrast(seen_by(ink, kind), seen_by(ground, kind)) >= least, (ink, ground, kind)


@pytest.mark.parametrize("theme", [*PALETTES, PLAIN_THEME])
async def test_every_theme_draws_the_session(tmp_path, monkeypatch, theme):
    monkeypatch.setenv("COLORTERM", "truecolor")
    async with running(tmp_path, drills=DRILL, theme=theme, view="study") as (app, pilot, _player):
        await to_ready(pilot, app)
        assert app.theme == theme
        assert "bar 1" in screen_text(app)
        assert session_of(app).view == "study"


@pytest.mark.parametrize("theme", PALETTES)
async def test_the_first_screen_is_painted_in_the_theme_of_the_settings(tmp_path, monkeypatch, theme):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("COLORTERM", "truecolor")
    async with running(tmp_path, theme=theme) as (app, *_):
        palette = PALETTES[theme]
        assert app.screen.styles.background.hex.casefold() == palette.background.casefold()
        assert app.screen.query_one("#notes").styles.color.hex.casefold() == palette.inks["dim"].casefold()
