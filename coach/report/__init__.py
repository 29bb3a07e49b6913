"""What came of the practice: the player's report, the student's reply, the teacher's class.

Begin with `figures.py`, which makes a `Report` of the log; `lines.py` (terminal), `page.py` with `svg.py` (HTML) and
`tables.py` (JSON, CSV) show it, `neck.py` puts its nodes on a fretboard. `reply.py` is the format of a student's file,
and `student.py` makes it. A teacher's side is `handed.py` (what was assigned), `inbox.py` (reads the replies),
`classroom.py` (whose each is), `work.py` and `advice.py` (what a student needs, a table of rules), and `overview.py`
with `overview_lines.py` and `overview_page.py`. A new form of the report is a module beside `lines.py`; a new column
of a table is one row of its `COLUMNS`. May import every room before it.
"""
