"""How an event of a repetition went: the table of results and causes, and what is marked with them.

`table` holds the rows; begin there for another result or another cause, which is one row of code. `fault` is
one mark, with the text that the log keeps of it. May import `ground` only.
"""
