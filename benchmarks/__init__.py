"""How fast and how large the program is, each thing beside something public that does the like.

`python -m benchmarks` runs every subject, prints one table and writes JSON. Whether the program is right, and not only
fast, is measured by scripts of their own: `players` and `classroom` (what learners and teachers gain),
`bench_learning` and `bench_forecast` (how true the estimate and the forecast are), `bench_parts` (what each part of the
coach is worth), `bench_listen` and `bench_beats`
(what the ear hears).
"""

# Before scipy, which reads it once: the program sets how many threads numpy's small products get.
import coach as coach
