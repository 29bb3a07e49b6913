"""Our colours: what each role looks like in each theme, and the contrast that the eye needs.

Conventions: colours are `#rrggbb`; contrast is that of WCAG 2.2: (L1 + 0.05) / (L2 + 0.05), L the relative luminance.
What is read from afar has at least 7:1 (WCAG 1.4.6), all other text 4.5:1, lines and posts 3:1 (1.4.11). Nothing is
told by colour alone: signs, words, weight and place say the same, so that a theme without colours loses nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

from rich.style import Style
from textual.theme import Theme

from coach.ground.frozen import frozen
from coach.tui.canvas import Role

ROLES: tuple[Role, ...] = get_args(Role)

PLAIN_THEME = "terminal"
"""The theme that uses the terminal's own 16 colours, or none."""


@frozen
class Palette:
    """One theme: background, and the ink of each role. Roles in `_REVERSED` swap ink and background."""

    dark: bool
    background: str
    surface: str
    cursor: str
    """Ground of the chosen row in a list, under the ink of text."""
    inks: Mapping[Role, str]


# Evening: slate under lamp light. A music stand by daylight. The most contrast there is: black, white, pure tones.
_COLOURS = """
theme      dusk    paper   beacon
ground     dark    light   dark
background #12191d #f7f2e6 #000000
surface    #1b2429 #ece5d3 #101010
cursor     #35474e #d9cdb0 #3a3a3a
text       #ece6d8 #1e2326 #ffffff
dim        #a3b0b1 #545e5f #d0d0d0
rule       #66787c #7d8683 #9a9a9a
now        #ffd27a #5c3200 #ffe94a
next       #93dccb #004840 #7df2ff
bass       #f0b59c #74231a #ffc9a8
ring       #c9d7ea #23405e #dfe9ff
beat       #ffd27a #5c3200 #ffe94a
key        #d9e2dc #24302f #ffffff
choked     #ffb3c4 #7f0f45 #ffb6d0
late       #e6d36a #574500 #ffe94a
dropped    #c4b8f5 #43308f #d6c8ff
good       #a9dc9a #1c4d17 #9dffa0
"""


def _palettes(table: str) -> dict[str, Palette]:
    (_, *names), *rows = (line.split() for line in table.strip().splitlines())
    palettes = {}
    for name, *column in zip(names, *(row[1:] for row in rows), strict=True):
        colours = dict(zip((row[0] for row in rows), column, strict=True))
        background, surface, cursor = (colours.pop(part) for part in ("background", "surface", "cursor"))
        inks = {role: colours[role] for role in ROLES}
        palettes[name] = Palette(colours["ground"] == "dark", background, surface, cursor, inks)
    return palettes


PALETTES = _palettes(_COLOURS)
_TERMINAL = Palette(
    dark=True,
    background="ansi_default",
    surface="ansi_default",
    cursor="ansi_white",
    inks={
        **dict.fromkeys(ROLES, "ansi_default"),
        **dict.fromkeys(("now", "beat"), "ansi_bright_yellow"),
        "next": "ansi_bright_cyan",
    },
)
"""The terminal's own colours."""
_REVERSED: frozenset[Role] = frozenset({"key"})
_BOLD: frozenset[Role] = frozenset({"now", "beat", "choked", "late", "dropped"})


def styles_for(theme: str) -> dict[Role, Style]:
    """The style of every role in a theme; KeyError for an unknown one."""
    palette = _TERMINAL if theme == PLAIN_THEME else PALETTES[theme]
    # What Textual calls `ansi_white` is `white` in Rich.
    inks = {role: ink.removeprefix("ansi_") for role, ink in palette.inks.items()}
    ground = palette.background.removeprefix("ansi_")
    return {
        role: Style(color=inks[role], bgcolor=ground, bold=role in _BOLD, reverse=role in _REVERSED)
        for role in ROLES
    }


def textual_themes() -> list[Theme]:
    """Our themes for Textual's own widgets."""
    terminal = _textual_theme(PLAIN_THEME, _TERMINAL)
    terminal.ansi = True
    # Bright ones are hard to read in small letters on a white ground.
    terminal.primary = terminal.accent = "ansi_yellow"
    terminal.secondary = "ansi_cyan"
    terminal.variables |= {
        "ansi-background": "ansi_black",
        "ansi-foreground": "ansi_white",
        "block-cursor-foreground": "ansi_black",
        "block-cursor-blurred-foreground": "ansi_black",
        "block-cursor-blurred-background": "ansi_white",
        "scrollbar": "ansi_white",
        "input-cursor-foreground": "ansi_black",
        "input-cursor-background": "ansi_white",
    }
    return [*(_textual_theme(name, palette) for name, palette in PALETTES.items()), terminal]


def _textual_theme(name: str, palette: Palette) -> Theme:
    inks = palette.inks
    return Theme(
        name=name,
        primary=inks["now"],
        secondary=inks["next"],
        accent=inks["now"],
        warning=inks["late"],
        error=inks["choked"],
        success=inks["good"],
        foreground=inks["text"],
        background=palette.background,
        surface=palette.surface,
        panel=palette.surface,
        boost=palette.surface,
        dark=palette.dark,
        text_alpha=1.0,
        variables={
            "block-cursor-foreground": inks["text"],
            "block-cursor-background": palette.cursor,
            "block-cursor-blurred-foreground": palette.background,
            "block-cursor-blurred-background": inks["dim"],
            "text-muted": inks["dim"],
            "border": inks["rule"],
            "border-blurred": inks["rule"],
            "scrollbar": inks["rule"],
            "scrollbar-background": palette.surface,
            "input-cursor-foreground": palette.background,
            "input-cursor-background": inks["text"],
        },
    )


def few_colours(environment: Mapping[str, str]) -> bool:
    """Whether the terminal has at most 16 colours or wants none: NO_COLOR, or what TERM and COLORTERM say."""
    if environment.get("NO_COLOR"):
        return True
    if environment.get("TEXTUAL_COLOR_SYSTEM") in ("256", "truecolor"):
        return False
    if environment.get("COLORTERM", "").lower() in ("truecolor", "24bit"):
        return False
    term = environment.get("TERM", "").lower()
    if not term:
        # Not a Unix terminal: what it can do is found out by other means.
        return False
    return "256" not in term and "direct" not in term and not environment.get("WT_SESSION")
