"""Learning: one estimate that answers every question, and one choice by gain a second.

The log's repetitions are folded into `Learnt` (`learning.py`): skills by drill, the player's slips, each excerpt's
record. Everything else is a reading of it, pure, with the day as an argument (its ordinal, `date.toordinal()`).

    skill.py      the estimate and its equations: `Skill`, `Slips`, `View`
    learning.py   `learnt_of(log, day)`: what was learnt, by a fold of the log; `Learnt.copy()` for what may be undone
    material.py   `material_of(drills)`: excerpts digested, seconds of a repetition; made once, serves many plans
    rung.py       the tempo as a reading: `reading(view, ...)`, `next_rung(...)` within a turn
    choice.py     `choose(learnt, material, sitting)`: the turn that is worth most a second
    relief.py     `reliefs(material, excerpt, failed)`: what comes instead where an excerpt stays choked
    plan.py       the plan's values; `planner.py` makes it: `make_plan(day, minutes, drills, learnt, history)`
    readings.py   for screens and reports: `standing(learnt, material, excerpt, day) -> Standing` (rung, chance cold at
                  the goal, clean tempo with its 80 % interval, landed, kept), `places(learnt, material, drill, day)`
                  -> the same of each node and move, with results of late; `Learnt.cold` has predicted against seen
    forecast.py   `forecast(learnt, material, drill, day, minutes) -> Forecast`: when the piece is at its goal, and kept
"""
