"""Full run of the operating characteristics: ``python -m tests.operating.run``.

Prints progress and writes the dated table to docs/operating.md. A few minutes of one core.
"""

from __future__ import annotations

import argparse
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from .engine import Rates, cautious, run_scenario
from .scenarios import SCENARIOS

HEAD = """# How often the verdict errs: simulated operating characteristics

Written by `python -m tests.operating.run` on {date} (seed {seed}, {minutes:.1f} minutes of processor time);
do not edit. Every row simulates that many studies with the margin at eight true standard errors:

* **false homogeneous**: one pair of depths lies exactly at the margin, the others half way; nominal 5 %;
* **coverage**: the 95 % interval of the last minus the first depth holds the truth; *all pairs*: the
  simultaneous intervals all do;
* **false stratified**: half of the depths at zero, half exactly at the margin (the least favourable truth for
  the test beyond the margin); nominal 5 %. In brackets what the two-sided simultaneous 95 % interval
  "wholly outside the margin" would give: it halves the rate, and with it the power.

Scatter is in units of the determination's SD; the container SD is 1.5 throughout. Containers x depths x
replicates. Limits: rates at most 5 %, coverage at least 94 %, each plus 3.5 Monte Carlo errors
(40 000 studies: 0.38 points at 5 %; 8 000 studies: 0.85 points). Coverage above 96 % is no error but a loss of
power; it is named as "cautious". Tails of a t distribution with 3 degrees of
freedom are a stress case: reported, not held to a limit.

| design | method | studies | false homogeneous, % | coverage, % | all pairs, % | false stratified, % | misses |
|---|---|---|---|---|---|---|---|
"""

TAIL = """
## What follows

* Balanced designs: the exact stratum t keeps its rates at nominal whatever the container:depth variance.
  Kenward-Roger is cautious where the true container:depth variance is zero (rates below 5 %, coverage
  above 95 %), most with few containers. So the kit uses the exact stratum where the design is balanced
  (`studykit.inference.share.choose_df_method`) and says which method was used.
* Unbalanced designs: no exact test exists; Kenward-Roger is used. It errs on the cautious side near zero
  variance: a study may then need a container or two more than an exact test would.
  Satterthwaite's degrees of freedom come nearer to nominal there, but jump as soon as a variance is
  estimated as zero (from 22 to 58 at 12 x 3 x 2), which a report could hardly explain.
* With two depths and single determinations, or no container:depth term, the methods agree.
{verdict}
"""


def line(r: Rates) -> str:
    """One row of the table."""
    misses = ", ".join([*r.faults(), *filter(None, [cautious(r)])]) or "none"
    if not r.required:
        misses = f"(stress) {misses}"
    return (f"| {r.scenario} | {r.method} | {r.studies} | {r.false_homogeneous:.2f} | {r.coverage:.2f} | "
            f"{r.coverage_all:.2f} | {r.false_stratified:.2f} ({r.false_stratified_two_sided:.2f}) | {misses} |")


def main(arguments: list[str] | None = None) -> int:
    """Run every scenario; 0 where all required limits are kept, else 1."""
    parser = argparse.ArgumentParser(description="Simulate the verdict rule's error rates.")
    parser.add_argument("--balanced", type=int, default=40_000, help="studies per balanced scenario")
    parser.add_argument("--unbalanced", type=int, default=8_000, help="studies per unbalanced scenario")
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--out", type=Path, default=Path("docs/operating.md"))
    options = parser.parse_args(arguments)
    rows, missed, fallback, start = [], 0, 0, time.process_time()
    wide: list[Rates] = []
    for number, s in enumerate(SCENARIOS):
        studies = options.unbalanced if s.missing else options.balanced
        for method in ("kenward-roger",) if s.missing else ("exact-stratum", "kenward-roger"):
            r = run_scenario(s, studies, options.seed + number, method)
            rows.append(line(r))
            missed += bool(r.required and r.faults())
            fallback += r.fallback
            wide += [r] if cautious(r) else []
            used = time.process_time() - start
            print(f"{number + 1:2d}/{len(SCENARIOS)} {used:5.0f} s  {rows[-1]}", file=sys.stderr, flush=True)
    verdict = ("* Every required limit is kept." if not missed
               else f"* {missed} required rows miss a limit; see the column 'misses'.")
    if wide:
        by_kr = sum(r.method == "kenward-roger" for r in wide)
        at_zero = sum("container:depth SD 0" in r.scenario and "SD 0." not in r.scenario for r in wide)
        verdict += (f"\n* {len(wide)} rows are cautious (coverage above 96 %, at most "
                    f"{max(r.coverage for r in wide):.1f} %): {by_kr} of them by Kenward-Roger, {at_zero} with a true "
                    "container:depth\n  variance of zero.")
    if fallback:
        verdict += (f"\n* {fallback} unbalanced studies were fitted one by one because the batch search did not "
                    "settle on them.")
    minutes = (time.process_time() - start) / 60
    head = HEAD.format(date=f"{datetime.now(UTC):%Y-%m-%d}", seed=options.seed, minutes=minutes)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    temporary = options.out.with_suffix(".part")
    temporary.write_text(head + "\n".join(rows) + "\n" + TAIL.format(verdict=verdict), encoding="utf-8")
    temporary.replace(options.out)
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
