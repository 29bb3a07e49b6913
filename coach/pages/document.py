"""A page that stands alone: its frame, its style, its tables.

Conventions: `parts` are HTML, all other arguments plain text, which is escaped here. Lengths in the style are px on a
screen; a `sheet` is 182 mm wide, which fits A4 and Letter within margins of 14 mm.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from typing import Literal

from coach.ground.plain import plain_text

Layout = Literal["column", "wide", "sheet"]
"""A column to read; the same for tables of many columns; a sheet for the music stand, black on white."""

_STYLE = """
:root { color-scheme: light; --paper: #fbf8f0; --ink: #1e2326; --rule: #e2dac7; }
body { font: 15px/1.45 Georgia, 'DejaVu Serif', serif; color: var(--ink); background: var(--paper);
       max-width: 760px; margin: 2rem auto; padding: 0 1rem; }
body.wide { max-width: 1150px; } .wide table { font-size: .82rem; }
body.sheet { --paper: #fff; --ink: #000; --rule: #000; max-width: 182mm; padding: 0; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; } h2 { font-size: 1.15rem; margin: 2rem 0 .5rem;
     border-bottom: 1px solid var(--ink); padding-bottom: .15rem; } h3 { font-size: .95rem; margin: .4rem 0 .1rem; }
p { margin: .35rem 0; } .quiet { color: #4d5559; } .cue { font-style: italic; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; } th, td { text-align: left; padding: .2rem .5rem
.2rem 0; border-bottom: 1px solid var(--rule); vertical-align: top; }
th { font-weight: bold; border-color: var(--ink); }
td.number, th.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
td.number + td, th.number + th { padding-left: .8rem; }
table.empty { table-layout: fixed; } .empty td { height: 8mm; }
.grid { display: grid; grid-template-columns: repeat(auto-fill, minmax(330px, 1fr)); gap: .6rem 1rem; }
figure { margin: 0; } figure, svg, tr { break-inside: avoid; } h2, h3 { break-after: avoid; }
svg { max-width: 100%; height: auto; display: block; } svg.fluid { width: 100%; margin: .5rem 0; }
svg text { font-family: 'DejaVu Sans', system-ui, sans-serif; fill: var(--ink); } svg line { stroke: var(--ink); }
svg text.halo { paint-order: stroke; stroke: var(--paper); stroke-width: 3px; } svg text.sign { font-weight: bold; }
svg .ground { fill: var(--paper); } svg .dot { fill: #1f5660; } .sheet svg .dot { fill: #000; }
svg .tick { stroke: #d8d0bd; } svg .mark { stroke: #6f6857; } svg .bar { fill: #39626b; } svg .band { fill: #c9dbdb; }
svg .curve { fill: none; stroke: #1f5660; stroke-width: 1.6; } svg .goal { stroke: #8a3b12; stroke-dasharray: 6 4; }
svg .rung { fill: #8a3b12; } svg .wire { stroke: #b3aa95; } svg .nut { stroke-width: 4; }
svg .string { stroke: #6f6a5d; }
.sheet svg .wire, .sheet svg .string { stroke: #000; }
svg .node { fill: var(--paper); stroke-width: 2; }
@media screen and (max-width: 700px) { table { display: block; overflow-x: auto; } figure { overflow-x: auto; }
  figure svg[width='720'], figure svg.fluid { width: 520px; max-width: none; direction: ltr; }
  figure.latest { direction: rtl; } }
@page { size: auto; margin: 14mm; }
@media print { body { --paper: #fff; margin: 0; max-width: none; } }
"""


def escaped(text: str) -> str:
    """Text from anywhere as HTML text or attribute: on one line, without control characters."""
    return html.escape(plain_text(text), quote=True)


def document(title: str, parts: Iterable[str], layout: Layout = "column", style: str = "") -> str:
    """A whole page around some parts; empty ones are left out. `style` is CSS of this page's own."""
    return (
        "<!DOCTYPE html>\n"
        '<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        '<meta http-equiv="Content-Security-Policy" content="'
        "default-src 'none'; style-src 'unsafe-inline'; font-src data:\">"
        f'<title>{escaped(title)}</title><style>{_STYLE}{style}</style></head><body class="{layout}">\n'
        + "\n".join(part for part in parts if part)
        + "\n</body></html>\n"
    )


def section(heading: str, *parts: str) -> str:
    """Parts under a heading; nothing where all of them are empty."""
    inside = "\n".join(part for part in parts if part)
    return f"<section><h2>{escaped(heading)}</h2>\n{inside}</section>" if inside else ""


def paragraph(text: str, name: str = "") -> str:
    """A paragraph of plain text, with the name of its style; nothing where there is no text."""
    of_class = f' class="{name}"' if name else ""
    return f"<p{of_class}>{escaped(text)}</p>" if text else ""


def figure(drawing: str, name: str = "") -> str:
    """A drawing; on a narrow screen one that is wide is moved under the finger, `latest` from its right end."""
    of_class = f' class="{name}"' if name else ""
    return f"<figure{of_class}>{drawing}</figure>"


def table(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    numbers: Sequence[int] = (),
    name: str = "",
    row_names: Sequence[str] = (),
) -> str:
    """A table; `numbers` are the columns set to the right, `name` and `row_names` those of its and its rows' styles."""
    kinds = [' class="number"' if index in numbers else "" for index in range(len(header))]
    of_rows = [f' class="{one}"' if one else "" for one in row_names or [""] * len(rows)]
    head = "".join(f"<th{kind}>{escaped(title)}</th>" for kind, title in zip(kinds, header, strict=True))
    body = "".join(
        f"<tr{of_row}>"
        + "".join(f"<td{kind}>{escaped(cell)}</td>" for kind, cell in zip(kinds, row, strict=True))
        + "</tr>"
        for of_row, row in zip(of_rows, rows, strict=True)
    )
    of_class = f' class="{name}"' if name else ""
    return f"<table{of_class}><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
