"""Expected risk of optimal plans beside earliest due date and first come, first served, in twenty drawn cases.

The other two are honest: each takes the jobs in its order and gives each the earliest place that it can have, with the
same bays, people, parts, fixed appointments and grouping of a unit's jobs. Nothing is measured after the fact: the
figure is the risk that a plan leaves (`airwatch.plan.risk`), weighted by severity, jobs left out counted in all three.

    python tests/benchmarks/plan_risk.py            # prints the table; ends with status 1 if a plan is worse anywhere
    python tests/benchmarks/plan_risk.py --cases 4  # the first ones only
"""

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from airwatch.plan.make import make_plan
from airwatch.plan.problem import state_problem
from airwatch.plan.search import Index, earliest_due, first_come
from airwatch.plan.settings import shipped_settings
from tests.plan.shops import Shape, draw

CASES = [
    ("200 jobs, 6 bays", Shape()),
    ("200 jobs, scarce skills", Shape(is_scarce=True)),
    ("200 jobs, campaign", Shape(has_campaign=True)),
    ("200 jobs, appointments", Shape(n_appointments=16)),
    ("200 jobs, all of it", Shape(is_scarce=True, has_campaign=True, n_appointments=16)),
    ("200 jobs, 4 bays: tight", Shape(n_bays=4, n_people=4)),
    ("200 jobs, 3 bays: far too many", Shape(n_bays=3, n_people=3)),
    ("200 jobs, many a unit", Shape(jobs_a_unit=3.0)),
    ("200 jobs, few people", Shape(n_people=4)),
    ("200 jobs, few beyond", Shape(share_beyond=0.05)),
    ("200 jobs, most beyond", Shape(share_beyond=0.7)),
    ("200 jobs, parts late", Shape(share_parts=0.7)),
    ("200 jobs, units away", Shape(share_away=0.7)),
    ("100 jobs, 3 bays", Shape(n_jobs=100, n_bays=3, n_people=3)),
    ("100 jobs, 6 bays: loose", Shape(n_jobs=100)),
    ("100 jobs, a week", Shape(n_jobs=100, days=7, has_campaign=True)),
    ("60 jobs, 2 bays", Shape(n_jobs=60, n_bays=2, n_people=2)),
    ("60 jobs, scarce, campaign", Shape(n_jobs=60, n_bays=3, n_people=3, is_scarce=True, has_campaign=True)),
    ("30 jobs, 1 bay", Shape(n_jobs=30, n_bays=1, n_people=1)),
    ("15 jobs, 2 bays", Shape(n_jobs=15, n_bays=2, n_people=2)),
]


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=len(CASES))
    parser.add_argument("--seconds", type=float)
    asked = parser.parse_args()
    settings = shipped_settings()
    head = (
        ("plan", 8),
        ("due date", 9),
        ("first", 9),
        ("/due", 6),
        ("/first", 6),
        ("left out", 12),
        ("gap", 7),
        ("s", 5),
        ("cpu s", 6),
    )
    print(f"{'case':32} {' '.join(f'{name:>{width}}' for name, width in head)}")
    sums = [0.0, 0.0, 0.0]
    n_worse, slowest, widest, busiest = 0, 0.0, 0.0, 0.0
    for seed, (name, shape) in enumerate(CASES[: asked.cases], start=2001):
        given = draw(seed, shape)
        index = Index(state_problem(given, settings))
        others = [earliest_due(index), first_come(index)]
        begun, begun_cpu = time.monotonic(), time.process_time()
        plan = make_plan(given, settings, seconds=asked.seconds)
        took, cpu = time.monotonic() - begun, time.process_time() - begun_cpu
        risks = [plan.risk, *(other.risk() for other in others)]
        sums = [total + risk for total, risk in zip(sums, risks, strict=True)]
        n_worse += plan.risk > min(risks[1:]) + 1e-9
        slowest, widest, busiest = max(slowest, took), max(widest, plan.gap), max(busiest, cpu)
        left = [plan.reasons["slot"].null_count(), *(shape.n_jobs - len(other.by_job) for other in others)]
        print(
            f"{name:32} {risks[0]:8.1f} {risks[1]:9.1f} {risks[2]:9.1f} {risks[0] / risks[1]:6.2f}"
            f" {risks[0] / risks[2]:6.2f} {'/'.join(map(str, left)):>12} {plan.gap:7.1%} {took:5.1f} {cpu:6.1f}",
            flush=True,
        )
    print(
        f"{'all':32} {sums[0]:8.1f} {sums[1]:9.1f} {sums[2]:9.1f} {sums[0] / sums[1]:6.2f} {sums[0] / sums[2]:6.2f}"
        f" {'':12} {widest:7.1%} {slowest:5.1f} {busiest:6.1f}   (gap, seconds: the greatest)"
    )
    print(f"worse than one of the others in {n_worse} of {asked.cases} cases")
    return 1 if n_worse else 0


if __name__ == "__main__":
    sys.exit(main())
