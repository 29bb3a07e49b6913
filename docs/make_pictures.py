"""Make the pictures of the screens: `python docs/make_pictures.py [FOLDER] [--png]`.

Each picture is the real app, driven by keys in a practice folder of its own on a fixed day, without sound. SVG files
are written to FOLDER (docs/pictures where none is named); with `--png` a headless Chromium draws each one as PNG too,
and once more as small as it looks from two metres. Nothing is fetched: the fonts are those of the machine.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from textual.pilot import Pilot

from coach.folder.settings import save_settings
from coach.ground.places import Places
from coach.listen.heard import CHOKED, LATE, UNSURE, Heard
from coach.music.drill import TOGETHER
from coach.session.desk import Desk
from coach.session.suggestions import suggestions_of
from coach.tui.app import CoachApp
from coach.tui.session_screen import SessionScreen

NOW_MS = 1_771_837_200_000
"""Monday 23 February 2026, 09:00 UTC."""

Shot = tuple[str, tuple[int, int], tuple[str, ...], dict[str, object]]
"""Name, columns and rows, keys and waits, settings of the screen."""

DRILL = "small-bells"
_READY = ("space", "wait:0.3", "space", "together")
_TO_MUSIC = (*_READY, "space")
_MARKED = (*_TO_MUSIC, "wait:12", "space", "2", "l", "3")
_HEARD = (*_TO_MUSIC, "wait:12", "space", "heard")
_RATED = (*_TO_MUSIC, "wait:9", "space", "1", "space", "wait:0.3")
"""At 40 bpm a beat takes 1.5 s, so that the count-in lasts 6 s and the two bars end after 18 s."""

SHOTS: tuple[Shot, ...] = (
    ("start", (80, 24), (), {}),
    ("ready-glance", (80, 24), _READY, {}),
    ("count-in-glance", (80, 24), (*_TO_MUSIC, "wait:3.5"), {}),
    ("count-in-study", (80, 24), (*_TO_MUSIC, "v", "wait:3.5"), {}),
    ("playing-glance", (80, 24), (*_TO_MUSIC, "wait:9"), {}),
    ("playing-study", (80, 24), (*_TO_MUSIC, "v", "wait:9"), {}),
    ("last-node", (80, 24), (*_TO_MUSIC, "wait:15.5"), {}),
    ("round", (80, 24), (*_TO_MUSIC, "wait:20"), {}),
    ("marking", (80, 24), _MARKED, {}),
    ("heard", (80, 24), _HEARD, {}),
    ("heard-wide", (120, 40), _HEARD, {}),
    ("heard-taken", (80, 24), (*_HEARD, "3"), {}),
    ("marking-ascii", (80, 24), _MARKED, {"ascii": True}),
    ("clean", (80, 24), (*_TO_MUSIC, "wait:25"), {}),
    ("pause", (80, 24), (*_TO_MUSIC, "wait:9", "p"), {}),
    ("rest", (80, 24), ("space", "wait:0.3"), {}),
    ("help", (80, 24), ("space", "space", "question_mark"), {}),
    ("stop", (80, 24), ("space", "space", "escape"), {}),
    ("playing-study-paper", (120, 40), (*_TO_MUSIC, "v", "wait:9"), {"theme": "paper"}),
    ("playing-glance-beacon", (120, 40), (*_TO_MUSIC, "wait:9"), {"theme": "beacon"}),
    ("playing-study-left", (120, 40), (*_TO_MUSIC, "v", "wait:9"), {"left_handed": True}),
    ("playing-study-ascii", (80, 24), (*_TO_MUSIC, "v", "wait:9"), {"ascii": True}),
    ("playing-study-wide", (200, 60), (*_TO_MUSIC, "v", "wait:9"), {}),
    ("start-wide", (120, 40), (), {}),
    ("library", (80, 24), ("d", "down", "down"), {}),
    ("nodes", (80, 24), ("n", "left", "left", "left"), {}),
    ("tuning", (80, 24), ("t", "down", "plus"), {}),
    ("settings", (80, 24), ("comma", "down"), {}),
    ("reports", (80, 24), (*_RATED, "escape", "enter", "r"), {}),
    ("summary", (80, 24), (*_RATED, "escape", "enter"), {}),
    ("tour", (80, 24), (), {"tour_seen": False}),
)

SHOWN = ("start", "playing-glance", "playing-study", "marking", "library", "nodes")
"""The pictures that the documents show."""

FONT = "'DejaVu Sans Mono', Menlo, Consolas, monospace"


async def take(shot: Shot, folder: Path, size: tuple[int, int] | None = None) -> Path:
    """Drive the app to one picture, of its own size or another, and write it as SVG."""
    name, usual, keys, screen = shot
    with tempfile.TemporaryDirectory() as home:
        places = Places(Path(home))
        save_settings(places.settings, {"screen": {"tour_seen": True, **screen}})
        drills = () if name.startswith(("start", "library")) else (DRILL,)
        with Desk.open(places, clock=lambda: (NOW_MS, 60), names=drills, silent=True) as desk:
            app = CoachApp(desk)
            async with app.run_test(size=size or usual) as pilot:
                await pilot.pause(0.3)
                for key in keys:
                    if key.startswith("wait:"):
                        await pilot.pause(float(key.removeprefix("wait:")))
                    elif key == "together":
                        await all_layers(app, pilot)
                    elif key == "heard":
                        let_hear(app)
                    else:
                        await pilot.press(key)
                await pilot.pause(0.2)
                svg = app.export_screenshot(title="")
    path = folder / (f"{name}-{size[0]}x{size[1]}.svg" if size else f"{name}.svg")
    path.write_text(bare(svg), encoding="utf-8")
    return path


def let_hear(app: CoachApp) -> None:
    """Suggest of the repetition that is rated what a microphone may have heard."""
    screen = app.screen
    if isinstance(screen, SessionScreen):
        heard = (Heard(1, CHOKED, 0.9), Heard(3, LATE, 0.9, 40.0), Heard(4, UNSURE, 0.0))
        for suggestion in suggestions_of(heard, screen.practice.session.music.task.passage):
            screen.send(suggestion)


async def all_layers(app: CoachApp, pilot: Pilot[None]) -> None:
    """Choose all layers of the excerpt that is ready."""
    while isinstance(app.screen, SessionScreen):
        music = app.screen.practice.session.music
        if music is None or music.task.excerpt.layer == TOGETHER:
            return
        await pilot.press("l")


def bare(svg: str) -> str:
    """The picture without window dressing and web fonts, so that no viewer asks the network for anything."""
    svg = re.sub(r"@font-face\s*\{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<circle[^>]*/>", "", svg)
    svg = re.sub(
        r'viewBox="0 0 ([\d.]+) ([\d.]+)"',
        lambda box: f'viewBox="2 34 {float(box[1]):.1f} {float(box[2]) - 36:.1f}"',
        svg,
        count=1,
    )
    svg = re.sub(r'<text class="[^"]*-title"[^>]*>.*?</text>', "", svg, flags=re.DOTALL)
    return re.sub(r"font-family:[^;]+;", f"font-family: {FONT};", svg)


def to_png(svg: Path, scale: float = 1.0, suffix: str = "") -> Path:
    """Draw an SVG with a headless Chromium; `scale` below 1 is how it looks from afar."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        raise SystemExit("drawing PNG needs Chromium, for instance: apt install chromium")
    box = re.search(r'viewBox="[\d.]+ [\d.]+ ([\d.]+) ([\d.]+)"', svg.read_text(encoding="utf-8"))
    assert box is not None
    width, height = (float(side) * scale for side in box.groups())
    page = svg.with_suffix(".html")
    page.write_text(
        f'<body style="margin:0"><img src="{svg.name}" style="width:{width}px;height:{height}px"></body>'
    )
    out = svg.with_name(f"{svg.stem}{suffix}.png")
    subprocess.run(
        [
            browser,
            "--headless",
            "--no-sandbox",
            "--hide-scrollbars",
            f"--window-size={int(width)},{int(height)}",
            f"--screenshot={out}",
            page.resolve().as_uri(),
        ],
        check=True,
        capture_output=True,
    )
    page.unlink()
    return out


def columns_and_rows(text: str) -> tuple[int, int]:
    """`160x45` as (160, 45); ValueError where it is no size."""
    columns, rows = text.split("x")
    return int(columns), int(rows)


def main(arguments: Sequence[str] | None = None) -> None:
    """Take every picture, or those named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", default=str(Path(__file__).parent / "pictures"))
    parser.add_argument("--png", action="store_true")
    parser.add_argument("--only", nargs="*", default=SHOWN, help="names of pictures; none for all of them")
    parser.add_argument("--size", type=columns_and_rows, help="of the terminal, such as 160x45")
    chosen = parser.parse_args(arguments)
    os.environ.update(COLORTERM="truecolor", TERM="xterm-256color")
    os.environ.pop("NO_COLOR", None)
    folder = Path(chosen.folder)
    folder.mkdir(parents=True, exist_ok=True)
    for shot in SHOTS:
        if chosen.only and shot[0] not in chosen.only:
            continue
        svg = asyncio.run(take(shot, folder, chosen.size))
        print(svg)
        if chosen.png:
            print(to_png(svg))
            print(to_png(svg, 0.35, "-afar"))


if __name__ == "__main__":
    main()
