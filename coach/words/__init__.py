"""Names for people: what an excerpt, a node, a move, a day, a duration or a tempo is called, the same everywhere.

Screens, pages, commands, reports, the plan's reasons and the answers to a file all call these; nothing else spells
such a name. Begin with `names.py` (excerpts, nodes, moves, assignments), then `amounts.py` (days, durations, tempos,
rates). Numbers with their word and lists (`counted`, `listed`) stand in `coach.ground.plain`, below this room.
May import ground, strings, music and log.
"""
