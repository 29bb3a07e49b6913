"""Tuning by harmonics on the screen: the pairs to compare, how fast they beat, and hearing one string detuned."""

from __future__ import annotations

from textual import events
from textual.app import ComposeResult

from coach.strings.detune import Heard, beatless, moved
from coach.strings.instrument import Instrument
from coach.strings.tuning import adjacent_pairs, moved_beats_hz
from coach.tui.base import DrawnScreen
from coach.tui.canvas import Canvas, Rows, wrapped
from coach.tui.glyphs import big_text
from coach.tui.layout import Box
from coach.tui.stage import Stage
from coach.tui.widgets import MARK_COLUMNS, HintLine, cursor_sign
from coach.words.names import pair_name

_HOW = (
    "Let both harmonics ring together and turn the peg until they beat as slowly as the number says. Pairs that do "
    "not beat at all drift from equal temperament, and the error adds up from string to string."
)


def draw_tuning(heard: Heard, width: int, height: int, plain: bool = False) -> Rows:
    """The pairs with the beats they should have; the chosen one large, detuned as it is heard."""
    canvas = Canvas(width, height)
    canvas.put(0, 0, "Tuning by harmonics", "now")
    instrument = heard.instrument
    for row, pair in enumerate(heard.pairs):
        chosen = row == heard.index
        beats = pair.beats_hz[1]
        sign = cursor_sign(plain) if chosen else " " * MARK_COLUMNS
        text = f"{sign}{pair_name(instrument, pair):<18} {beats:5.2f} beats a second when in tune"
        canvas.put(2 + row, 0, text, "next" if chosen else "text")
    top = 3 + len(heard.pairs)
    if heard.pairs:
        pair = heard.pair
        now = moved_beats_hz(instrument, pair, heard.cents)
        number = big_text(f"{now:.2f}", 1, plain)
        canvas.put_rows(top, 0, number, "now")
        beside = len(number[0]) + 2
        canvas.put(top + 3, beside, "beats a second as it is heard", "text")
        high = instrument.string_label(pair.high_string)
        canvas.put(top + 1, beside, f"the {high} string {heard.cents:+.0f} cents", "text")
    for row, line in enumerate(wrapped(_HOW, min(width, 90))):
        canvas.put(top + 5 + row, 0, line, "dim")
    return canvas.rows()


class TuningScreen(DrawnScreen):
    """Choose a pair, hear it, detune it by cents."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__()
        self.heard = Heard(instrument, adjacent_pairs(instrument))

    @property
    def scope(self) -> str:
        return "tuning"

    def compose(self) -> ComposeResult:
        yield Stage(id="tuning")
        yield HintLine()

    def draw(self) -> None:
        """Draw the pairs as they stand."""
        width, height = self.size.width, self.size.height - 1
        if width:
            rows = draw_tuning(self.heard, width, height, self.coach.plain)
            stage = self.query_one("#tuning", Stage)
            stage.show({"tuning": (rows, lambda: rows)}, {"tuning": Box(0, 0, width, height)})

    def other_key(self, event: events.Key) -> bool:
        if event.key not in ("up", "down") or not self.heard.pairs:
            return False
        at = self.heard.index + (1 if event.key == "down" else -1)
        self.heard = Heard(
            self.heard.instrument, self.heard.pairs, index=min(max(at, 0), len(self.heard.pairs) - 1)
        )
        self.draw()
        return True

    def _detune(self, cents: float) -> None:
        self.heard = moved(self.heard, cents)
        self.draw()
        self.do_hear()

    def do_flatter(self) -> None:
        self._detune(-1.0)

    def do_sharper(self) -> None:
        self._detune(1.0)

    def do_beatless(self) -> None:
        self.heard = beatless(self.heard)
        self.draw()
        self.do_hear()

    def do_hear(self) -> None:
        if self.heard.pairs:
            self.coach.hear_pair(self.heard.instrument, self.heard.pair, self.heard.cents)

    def do_hush(self) -> None:
        self.coach.player_stop()

    def do_louder(self) -> None:
        self.coach.change_volume(1)

    def do_softer(self) -> None:
        self.coach.change_volume(-1)

    def do_back(self) -> None:
        self.coach.player_stop()
        self.dismiss()
