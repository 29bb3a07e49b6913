"""How fast and how large the program is, each thing beside something public that does the like.

`python -m benchmarks` runs every subject, prints one table and writes JSON. Two more scripts are simulations of
learners and not part of it: `bench_planner` (minutes to mastery) and `bench_calibration` (how well cold results are
predicted).
"""

# Before scipy, which reads it once: the program sets how many threads numpy's small products get.
import coach as coach
