"""The kit for pages: the frame of a document with its one style, tables, drawings as SVG, the fretboard.

A page is one HTML file that stands alone: no script, nothing fetched, good on paper. Everything that comes from a file
goes in through `document.escaped`, which the kit's functions do by themselves. `parts.py` has what a terminal says too.
"""
