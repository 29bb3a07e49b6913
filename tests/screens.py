"""What the tests of the screens share: a desk in a folder of its own, and a player whose position a test sets."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Self

from textual.pilot import Pilot

from coach.folder.actions import Phase
from coach.folder.settings import save_settings
from coach.ground.places import Places
from coach.music.excerpt import Passage, whole_phrase
from coach.music.passages import passage_of
from coach.session.desk import Desk
from coach.session.session import Session
from coach.session.states import Task
from coach.sound.player import PlayToken, SoundState, SoundStatus
from coach.strings.instrument import Instrument
from coach.tui.app import CoachApp
from coach.tui.canvas import Canvas, Parts, Run, pane
from coach.tui.canvas import drawn as rows_of
from coach.tui.picture import Picture
from coach.tui.session_screen import SessionScreen
from coach.tui.session_view import layout_of, panes
from tests.samples import sample_drill
from tests.waiting import until

NOW_MS = 1_771_837_200_000
"""Monday 23 February 2026, 09:00 UTC."""


def as_text(rows: Iterable[Iterable[Run]]) -> str:
    """A picture as text without trailing blanks."""
    return "\n".join("".join(text for text, _ in row).rstrip() for row in rows)


def picture_text(
    draw: Callable[[Canvas, *Parts], None], width: int, height: int, *parts: *Parts, plain: bool = False
) -> str:
    """What a picture draws in so many cells, as text."""
    return as_text(rows_of(pane(draw, *parts), width, height, plain))


class HandPlayer:
    """A player that is where the test puts it: nothing sounds and no time passes by itself."""

    rate: int = 8_000
    volume = 0.5
    offset_s = 0.0
    latency_s = 0.0
    status = SoundStatus(SoundState.CARD, "by hand")

    def __init__(self) -> None:
        self.position_s = 0.0
        self.length_s = 0.0
        self.played = 0
        self.heard: PlayToken | None = None
        self.joined: tuple[PlayToken, float] | None = None
        """What follows when what is heard ends."""
        self.playing = False

    def open(self) -> None: ...

    def close(self) -> None: ...

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None: ...

    def play(self, pcm: Any, *, join: bool = False) -> PlayToken:
        self.played += 1
        if join and self.playing:
            self.joined = (PlayToken(self.played), len(pcm) / self.rate)
            return self.joined[0]
        self.length_s, self.position_s, self.playing, self.joined = len(pcm) / self.rate, 0.0, True, None
        self.heard = PlayToken(self.played)
        return self.heard

    def stop(self) -> None:
        self.playing, self.joined = False, None

    @property
    def token(self) -> PlayToken | None:
        if self.joined and self.position_s >= self.length_s:
            self.position_s -= self.length_s
            (self.heard, self.length_s), self.joined = self.joined, None
        return self.heard if self.playing else None

    def position_s_at(self, when_s: float) -> float:
        return self.position_s

    @property
    def finished(self) -> bool:
        return self.token is not None and self.position_s >= self.length_s


class Clock:
    """A clock that a test moves; it goes on by a millisecond with every look, so that entries keep their order."""

    def __init__(self, now_ms: int = NOW_MS) -> None:
        self.now_ms = now_ms

    def __call__(self) -> tuple[int, int]:
        self.now_ms += 1
        return self.now_ms, 60


@asynccontextmanager
async def running(
    folder: Path,
    size: tuple[int, int] = (80, 24),
    drills: tuple[str, ...] = (),
    pause_s: float = 2.0,
    **screen: Any,
) -> AsyncIterator[tuple[CoachApp, Pilot[None], HandPlayer]]:
    """The app with a hand player, as (app, pilot, player)."""
    places = Places(folder)
    settings = {"practice": {"pause_s": pause_s}, "screen": {"tour_seen": True, **screen}}
    save_settings(places.settings, settings)
    with Desk.open(places, clock=Clock(), names=drills) as desk:
        app = CoachApp(desk)
        player = HandPlayer()
        app._player = player
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            yield app, pilot, player


async def shown(pilot: Pilot[None], so: Callable[[], object]) -> None:
    """Let the app go on until something is so that a timer or a thread of its own brings about."""
    await until(so, "the app")
    await pilot.pause()


async def in_phase(pilot: Pilot[None], app: CoachApp, phase: Phase) -> None:
    """Let the session go on until it is in this phase."""
    await shown(pilot, lambda: session_of(app).practice.session.phase is phase)


def session_of(app: CoachApp) -> SessionScreen:
    screen = app.screen
    assert isinstance(screen, SessionScreen)
    return screen


def screen_text(app: CoachApp) -> str:
    """What stands on the screen, as text."""
    width, height = app.size
    lines = app.screen._compositor.render_strips()
    assert len(lines) == height
    assert all(strip.cell_length == width for strip in lines)
    return "\n".join(strip.text.rstrip() for strip in lines)


def lamp() -> tuple[Passage, Instrument]:
    """The sample drill's two-bar phrase, all layers."""
    drill = sample_drill()
    return passage_of(drill, whole_phrase(drill, drill.phrases[0])), drill.instrument


def drawn(picture: Picture, width: int, height: int) -> str:
    """A session picture as text."""
    layout = layout_of(picture, width, height)
    canvas = Canvas(width, height)
    for name, shown in panes(picture, layout).items():
        box = layout[name]
        canvas.paste(box.y, box.x, rows_of(shown, box.width, box.height, picture.plain))
    return as_text(canvas.rows())


def task_of(session: Session) -> Task:
    """What a session has before the player; a test that asks while there is nothing is at fault."""
    assert session.music is not None
    return session.music.task
