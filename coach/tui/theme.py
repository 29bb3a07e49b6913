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


PALETTES: dict[str, Palette] = {
    # Evening: slate under lamp light.
    "dusk": Palette(
        True,
        "#12191d",
        "#1b2429",
        "#35474e",
        {
            "text": "#ece6d8",
            "dim": "#a3b0b1",
            "rule": "#66787c",
            "now": "#ffd27a",
            "next": "#93dccb",
            "bass": "#f0b59c",
            "ring": "#c9d7ea",
            "beat": "#ffd27a",
            "key": "#d9e2dc",
            "choked": "#ffb3c4",
            "late": "#e6d36a",
            "dropped": "#c4b8f5",
            "good": "#a9dc9a",
        },
    ),
    # A music stand by daylight.
    "paper": Palette(
        False,
        "#f7f2e6",
        "#ece5d3",
        "#d9cdb0",
        {
            "text": "#1e2326",
            "dim": "#545e5f",
            "rule": "#7d8683",
            "now": "#5c3200",
            "next": "#004840",
            "bass": "#74231a",
            "ring": "#23405e",
            "beat": "#5c3200",
            "key": "#24302f",
            "choked": "#7f0f45",
            "late": "#574500",
            "dropped": "#43308f",
            "good": "#1c4d17",
        },
    ),
    # The most contrast there is: black, white and a few pure tones.
    "beacon": Palette(
        True,
        "#000000",
        "#101010",
        "#3a3a3a",
        {
            "text": "#ffffff",
            "dim": "#d0d0d0",
            "rule": "#9a9a9a",
            "now": "#ffe94a",
            "next": "#7df2ff",
            "bass": "#ffc9a8",
            "ring": "#dfe9ff",
            "beat": "#ffe94a",
            "key": "#ffffff",
            "choked": "#ffb6d0",
            "late": "#ffe94a",
            "dropped": "#d6c8ff",
            "good": "#9dffa0",
        },
    ),
}

_ANSI: dict[Role, str] = {
    "text": "default",
    "dim": "default",
    "rule": "default",
    "now": "bright_yellow",
    "next": "bright_cyan",
    "bass": "default",
    "ring": "default",
    "beat": "bright_yellow",
    "key": "default",
    "choked": "default",
    "late": "default",
    "dropped": "default",
    "good": "default",
}
_REVERSED: frozenset[Role] = frozenset({"key"})
_BOLD: frozenset[Role] = frozenset({"now", "beat", "choked", "late", "dropped"})


def styles_for(theme: str) -> dict[Role, Style]:
    """The style of every role in a theme; KeyError for an unknown one."""
    if theme == PLAIN_THEME:
        return {
            role: Style(
                color=_ANSI[role],
                bgcolor="default",
                bold=role in _BOLD,
                reverse=role in _REVERSED,
            )
            for role in ROLES
        }
    styles = {}
    for role in ROLES:
        ink, ground = drawn_colours(theme, role)
        styles[role] = Style(color=ink, bgcolor=ground, bold=role in _BOLD)
    return styles


def drawn_colours(theme: str, role: Role) -> tuple[str, str]:
    """Ink and ground of a role as they are drawn, reversed where the role is."""
    palette = PALETTES[theme]
    ink = palette.inks[role]
    return (palette.background, ink) if role in _REVERSED else (ink, palette.background)


def textual_themes() -> list[Theme]:
    """Our themes for Textual's own widgets."""
    themes = [
        Theme(
            name=name,
            primary=palette.inks["now"],
            secondary=palette.inks["next"],
            accent=palette.inks["now"],
            warning=palette.inks["late"],
            error=palette.inks["choked"],
            success=palette.inks["good"],
            foreground=palette.inks["text"],
            background=palette.background,
            surface=palette.surface,
            panel=palette.surface,
            boost=palette.surface,
            dark=palette.dark,
            text_alpha=1.0,
            variables={
                "block-cursor-foreground": palette.inks["text"],
                "block-cursor-background": palette.cursor,
                "block-cursor-blurred-foreground": palette.background,
                "block-cursor-blurred-background": palette.inks["dim"],
                "text-muted": palette.inks["dim"],
                "border": palette.inks["rule"],
                "border-blurred": palette.inks["rule"],
                "scrollbar": palette.inks["rule"],
                "scrollbar-background": palette.surface,
                "input-cursor-foreground": palette.background,
                "input-cursor-background": palette.inks["text"],
            },
        )
        for name, palette in PALETTES.items()
    ]
    themes.append(
        Theme(
            name=PLAIN_THEME,
            ansi=True,
            primary="ansi_yellow",
            secondary="ansi_cyan",
            accent="ansi_yellow",
            warning="ansi_default",
            error="ansi_default",
            success="ansi_default",
            foreground="ansi_default",
            background="ansi_default",
            surface="ansi_default",
            panel="ansi_default",
            boost="ansi_default",
            variables={
                "ansi-background": "ansi_black",
                "ansi-foreground": "ansi_white",
                "block-cursor-foreground": "ansi_black",
                "block-cursor-background": "ansi_white",
                "block-cursor-blurred-foreground": "ansi_black",
                "block-cursor-blurred-background": "ansi_white",
                "border": "ansi_default",
                "border-blurred": "ansi_default",
                "scrollbar": "ansi_white",
                "scrollbar-background": "ansi_default",
                "input-cursor-foreground": "ansi_black",
                "input-cursor-background": "ansi_white",
            },
        )
    )
    return themes


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
