"""A drill on paper: its music engraved, the neck to scale and what a student has to know, on few pages.

Begin with `sheet.py` (what the page says), then `page.py` (as HTML) and `pdf.py` with `sheet.typ` (as PDF). `mei.py`
writes a drill as MEI and `engrave.py` has that drawn line by line; where the extra `print` is missing, the page has the
lane of `lane.py` instead. May import what stands before it, and never the session or the screens.
"""
