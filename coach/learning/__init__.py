"""Learning: one estimate that answers every question, and one choice by gain a second.

The log's repetitions are folded into `Learnt` (`learning.py`): skills by drill, the player's habits, each excerpt's
record. Everything else is a reading of it, pure, with the day as an argument (its ordinal, `date.toordinal()`).

    skill.py      the estimate and its equations: `Skill`, `Habits`, `View`
    learning.py   `FOLD`, the fold for the log: `log.state(FOLD)` gives `Learnt`; `Learnt.copy()` for what may be undone
    material.py   `material_of(drills)`: excerpts digested, seconds of a repetition; made once, serves many plans
    rung.py       the tempo as a reading: `reading(view, ...)`, `next_rung(...)` within a turn
    choice.py     `options(learnt, material, day)`, `choose(...)`: the turn that is worth most a second
    relief.py     `relief(material, excerpt, failed, number)`: what comes instead where an excerpt stays choked
    plan.py       `make_plan(day, minutes, drills, learnt, history) -> Plan`: the choice played ahead; `History`
    readings.py   for screens and reports: `standing(learnt, material, excerpt, day) -> Standing` (rung, chance cold at
                  the goal, clean tempo with its 80 % interval, landed, kept), `places(learnt, material, drill, day)`
                  -> the same of each node and move, with results of late; `cold_record(learnt)`: predicted against seen
    forecast.py   `forecast(drill, learnt, material, ...) -> Forecast`: when the piece is landed and kept, or why not
"""
