"""What came of the practice: the player's report, the student's file, the teacher's overview.

Begin with `figures.py`, which makes a `Report` of the log; `lines.py` (terminal), `page.py` with `svg.py` (HTML) and
`tables.py` (JSON, CSV) show it, `neck.py` puts its nodes on a fretboard. A teacher's side is `inbox.py` (reads the
students' files), `advice.py` (what to assign next, a table of rules) and `roster.py` (the overview). A new form of the
report is a module beside `lines.py`; a new column of a table is one row of its `COLUMNS`. May import every room before
it.
"""
