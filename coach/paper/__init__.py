"""A drill on paper: its music, the neck to scale and what a student has to know, on few pages.

Begin with `sheet.py` (what the page says), then `page.py` (as HTML). May import what stands before it, and never the
session or the screens.
"""
