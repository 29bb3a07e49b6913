"""The node explorer: every node of an instrument on its fretboard, its facts, its kin, your record, its sound."""

from __future__ import annotations

from collections.abc import Mapping

from textual import events

from coach.learning.readings import Place
from coach.strings.fretboard import Board, fretboard_cells, node_marks, partial_marks
from coach.strings.instrument import Instrument
from coach.strings.node import DEFAULT_PARTIAL, Node, nodes_upto
from coach.strings.node_table import NodeRow, aim_text, mm_text, node_rows, stray_text
from coach.strings.plucked import best_plucking_point_mm, dead_plucking_points_mm
from coach.strings.reach import places_for
from coach.tui.canvas import Canvas, Pane, fitted, pane
from coach.tui.drawn import PictureScreen
from coach.tui.glyphs import largest_size
from coach.tui.neck import cell_rows
from coach.words.amounts import percent
from coach.words.names import touch_name

KIN_SHOWN = 6
ALIKE_CENTS = 2.0
"""Places that differ by no more ring the same note."""


def draw_node(
    canvas: Canvas,
    instrument: Instrument,
    string: int,
    node: Node,
    records: Mapping[str, Place],
    left_handed: bool,
) -> None:
    """The chosen node large, its facts beside it, the fretboard below with the node marked."""
    width = canvas.width
    row = node_rows(instrument, [node], [string])[0]
    name = touch_name(instrument, string, node)
    size = max(1, largest_size(name, width // 2, max(canvas.height - 14, 4), most=3))
    canvas.put_tall(1, 0, name, size, "now")
    left = min(max(42, 40 * size), width - 38)
    facts = [*_facts(row, instrument), *_record(instrument, string, node, records)]
    for offset, text in enumerate(facts):
        canvas.put(1 + offset, left, fitted(text, width - left), "text")
    top = 1 + max(4 * size, len(facts)) + 1
    canvas.put(top, 0, fitted(_plucking(instrument, string, node), width), "text")
    top += 1
    canvas.put(top, 0, _kin(instrument, row, string, node, width), "next")
    places = [(at, each) for at in range(len(instrument.strings)) for each in nodes_upto(DEFAULT_PARTIAL)]
    chosen = node_marks(instrument, {(string, node): "●"}, "now")
    marks = [*node_marks(instrument, partial_marks(places), "node"), *chosen]
    board = Board.of(instrument, None, left_handed)
    canvas.paste(top + 2, 0, cell_rows(fretboard_cells(board, marks, width)))


def _facts(row: NodeRow, instrument: Instrument) -> list[str]:
    start = "capo" if instrument.capo else "nut"
    from_start = mm_text(instrument, row.string, row.node)
    facts = [
        f"{row.note} {row.offset_cents:+.0f} cents   {row.hz:.1f} Hz   partial {row.node.partial}",
        f"{from_start} from the {start}, fret {row.node.fret:.2f}",
        "the larger if the saddle is set back" if " to " in from_start else "",
        stray_text(row.forgiveness),
        aim_text(row),
    ]
    return [fact for fact in facts if fact]


def _record(instrument: Instrument, string: int, node: Node, records: Mapping[str, Place]) -> list[str]:
    place = records.get("n:" + instrument.node_key(string, node))
    if place is None or not place.of:
        return ["your record: not played yet"]
    return [
        f"your record: failed in {place.failed} of its last {place.of}",
        f"rings {percent(place.chance)} cold at the goal",
    ]


def _plucking(instrument: Instrument, string: int, node: Node) -> str:
    silent = [f"{mm:.0f}" for mm in dead_plucking_points_mm(node.partial, instrument.length_mm(string))]
    best_mm = best_plucking_point_mm(node.partial, instrument.length_mm(string))
    return f"loudest plucked {best_mm:.0f} mm from the bridge, silent at {', '.join(silent) or 'no place'}"


def _kin(instrument: Instrument, row: NodeRow, string: int, node: Node, width: int) -> str:
    """Where else the note rings; with its own cents, as those above, where it is out of tune with this node."""
    same = [
        touch_name(instrument, place.string, place.node)
        + (
            f" {round(place.offset_cents):+d}"
            if abs(place.offset_cents - row.offset_cents) > ALIKE_CENTS
            else ""
        )
        for place in places_for(instrument, row.midi)
        if place.node is not None and not place.plucking_hand and (place.string, place.node) != (string, node)
    ]
    if not same:
        return "this note rings nowhere else"
    text = "also rings this note (cents off):"
    for place_text in dict.fromkeys(same[:KIN_SHOWN]):
        # Half a place, or one without its cents, would mislead.
        text += f"  {place_text}" if len(text) + 2 + len(place_text) <= width else ""
    return text


class NodesScreen(PictureScreen):
    """Walk over the nodes with the arrow keys."""

    scope = "nodes"

    def __init__(self, instrument: Instrument) -> None:
        super().__init__()
        self.instrument = instrument
        self.nodes = nodes_upto(DEFAULT_PARTIAL)
        self.string = 0
        self.at = self.nodes.index(Node(1, 3))

    def picture(self) -> Pane:
        """The node under the cursor."""
        desk, node = self.coach.desk, self.nodes[self.at]
        left_handed = desk.settings.screen.left_handed
        return pane(draw_node, self.instrument, self.string, node, desk.nodes(), left_handed)

    def other_key(self, event: events.Key) -> bool:
        mirrored = self.coach.desk.settings.screen.left_handed
        steps = {"left": -1, "right": 1} if not mirrored else {"left": 1, "right": -1}
        if event.key in steps:
            self.at = min(max(self.at + steps[event.key], 0), len(self.nodes) - 1)
        elif event.key in ("up", "down"):
            way = 1 if event.key == "down" else -1
            self.string = min(max(self.string + way, 0), len(self.instrument.strings) - 1)
        else:
            return False
        self.draw()
        return True

    def do_hear(self) -> None:
        node = self.nodes[self.at]
        self.coach.hear(lambda models, rate: models.node_pcm(self.instrument, self.string, node, rate))

    def do_hear_choked(self) -> None:
        node = self.nodes[self.at]
        self.coach.hear(lambda models, rate: models.choke_pcm(self.instrument, self.string, node, rate))
