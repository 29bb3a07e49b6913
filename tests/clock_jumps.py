"""Practise while the clock jumps, and see that nothing is lost and that plans stay sane.

    python -m tests.clock_jumps 300 [--seed N]

Each run is one folder over some sessions of the program's own desk, with an injected clock. Between sessions and in the
middle of them the clock goes on, jumps back or forth by seconds, days or years, stands at the beginning of 1970 (a
machine whose battery is empty), at the last second of 32 bits in 2038, at a night in which the clocks change, or in
another time zone. After each session every repetition that was sent is in the log once, in order of practice days;
`coach log check` is clean; what is cached is what is folded anew; and the plan is of this day, no longer than asked
for, at tempos of the format.
"""

from __future__ import annotations

import random
import shutil
import sys
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from coach.folder.actions import Phase
from coach.ground.places import Places
from coach.learning.learning import LearningFold
from coach.log.entries import Rep
from coach.log.upkeep import check_log
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.rating.fault import Fault
from coach.rating.table import CHOKED
from coach.session.desk import Desk
from coach.session.events import Confirm, Go, Mark, RepEnded, Skip, Stop
from tests.kills import WITHOUT_IDS, assert_cached_is_anew
from tests.trials import command_line, named, print_tally, tally_of

ZONES = ("UTC", "Europe/Berlin", "America/New_York", "Asia/Kolkata", "Pacific/Kiritimati", "Pacific/Honolulu")
"""From 10 hours before UTC to 14 after it, half hours among them (IANA time zone database)."""
MOMENTS = {
    "1970": "1970-01-01T00:00:05+00:00",
    "2038": "2038-01-19T03:14:05+00:00",
    "clocks forward": "2026-03-29T00:59:30+00:00",
    "clocks back": "2026-10-25T00:59:30+00:00",
    "new year": "2026-12-31T23:59:30+00:00",
    "leap day": "2028-02-29T03:00:00+00:00",
}
"""2038: two seconds before seconds since 1970 leave 32 bits. Clocks of Germany in 2026 change at 01:00 UTC."""
USUAL = datetime(2026, 11, 2, 17, tzinfo=UTC)
MINUTES = 20


class JumpingClock:
    """UTC in ms and the offset of its zone in minutes."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.moment, self.zone = USUAL, ZoneInfo("Europe/Berlin")
        self.jumps: Counter[str] = Counter()

    def __call__(self) -> tuple[int, int]:
        offset = self.moment.astimezone(self.zone).utcoffset() or timedelta()
        return round(self.moment.timestamp() * 1000), round(offset.total_seconds() / 60)

    def __str__(self) -> str:
        return f"at {self.moment} in {self.zone}"

    def go_on(self, seconds: float) -> None:
        self.moment += timedelta(seconds=seconds)

    def jump(self) -> None:
        """Do one of what clocks do."""
        kind = self.rng.choice(("back", "forth", "zone", "right again", *MOMENTS))
        span = timedelta(seconds=self.rng.choice((2, 90, 3_600, 86_400, 40 * 86_400, 3_000 * 86_400)))
        if kind in MOMENTS:
            self.moment = datetime.fromisoformat(MOMENTS[kind])
        elif kind == "zone":
            self.zone = ZoneInfo(self.rng.choice(ZONES))
        elif kind == "right again":
            self.moment = USUAL + timedelta(days=self.rng.randrange(20))
        else:
            self.moment += span if kind == "forth" else -span
        # No system's clock stands before 1970.
        self.moment = max(self.moment, datetime.fromisoformat(MOMENTS["1970"]))
        self.jumps[kind] += 1


def practise(places: Places, clock: JumpingClock, sent: dict[str, Rep]) -> None:
    """One session of a few repetitions; all that was ever sent is looked for after it."""
    rng = clock.rng
    with Desk.open(places, clock=clock, player="Ada", names=["ferry"], minutes=MINUTES, silent=True) as desk:
        check_plan(desk)
        practice = desk.practice(desk.plan())
        for _ in range(rng.randrange(1, 6)):
            while practice.session.phase is Phase.REST:
                practice.send(Skip())
            if practice.session.phase is Phase.DONE:
                break
            practice.send(Go())
            clock.go_on(rng.uniform(1, 60))
            if rng.random() < 0.2:
                clock.jump()
            practice.send(RepEnded())
            if rng.random() < 0.3:
                practice.send(Mark(fault=Fault(1, CHOKED)))
            practice.send(Confirm())
        practice.send(Stop())
        sent |= {word[0].id: word[0] for word in desk.log.sent if isinstance(word, tuple)}
        assert not desk.log.waiting
    check_log_of(places, clock, sent)


def check_plan(desk: Desk) -> None:
    plan = desk.plan()
    assert plan.day == desk.today
    assert sum(item.minutes for item in plan.items) <= MINUTES + 1
    for item in plan.items:
        assert item.excerpt is None or MIN_BPM <= item.tempo_bpm <= MAX_BPM, item


def check_log_of(places: Places, clock: JumpingClock, sent: dict[str, Rep]) -> None:
    with Desk.open(places, clock=clock, silent=True, read_only=True) as desk:
        assert check_log(desk.log).problems == ()
        reps = desk.log.reps()
        assert {rep.id: rep for rep in reps} == sent, f"{len(sent)} sent, {len(reps)} in the log"
        assert reps == sorted(reps, key=lambda rep: (rep.day, rep.id))
        assert_cached_is_anew(desk.log, LearningFold(), desk.log.player.id, desk.today)
        check_plan(desk)


def jump_often(count: int, seed: int, folder: Path) -> Counter[str]:
    """So many runs; how often the clock did what. AssertionError at the first loss."""
    done: Counter[str] = Counter()
    for number in range(count):
        clock = JumpingClock(random.Random(f"{seed} {number}"))
        shutil.rmtree(folder, ignore_errors=True)
        (folder / "drills").mkdir(parents=True)
        (folder / "drills" / "ferry.yaml").write_text(WITHOUT_IDS)
        sent: dict[str, Rep] = {}
        with named(f"run {number} of seed {seed},", clock):
            for _ in range(clock.rng.randrange(2, 5)):
                practise(Places(folder), clock, sent)
                clock.jump()
        done += clock.jumps
    return done


def main() -> int:
    chosen = command_line(__doc__).parse_args()
    done = tally_of(jump_often, chosen)
    return print_tally(f"{chosen.count} runs, {sum(done.values())} jumps, nothing lost:", done.most_common())


if __name__ == "__main__":
    sys.exit(main())
