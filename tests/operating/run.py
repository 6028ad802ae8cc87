"""Writes docs/operating.md: ``python -m tests.operating.run`` (two processes, under 20 minutes)."""

from __future__ import annotations

import argparse
import datetime
import resource
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from .engine import Rates, run_scenario
from .scenarios import NORMAL, SCENARIOS, STRESS, WORDS, Scenario
from .stocks import LIMITS, STOCKS, LimitRates, StockRates, run_limits, run_stock

SEED = 20261125
HEAD = """# How often the verdict errs: simulated operating characteristics

Written by `python -m tests.operating.run` on {date} (seed {seed}, {minutes:.0f} minutes of processor time); do not
edit.

The rule: a pair of depths is judged by the containers' own differences, whatever the covariance across depths. Nothing
lost: t over those differences (on declared groups). Readings lost: least squares within containers with the
cluster-robust CR2 standard error and Bell and McCaffrey's degrees of freedom, or the t over the containers that have
both depths where the pattern promises that to be shorter. Homogeneous: every pair within by two one-sided tests.
Stratified: some pair beyond, charged with the union over the corners of "no difference exceeds the margin".

* **false homogeneous**: last and first depth exactly at the margin (eight standard errors), the others in between;
* **false stratified**: half of the depths at zero, half at the margin, the worse half; *narrow*: margins of 0.3,
  0.75 and 1.5 standard errors (limit 5.4 %);
* **coverage**: least and largest over pairs of 95 % intervals; *together*: simultaneous intervals;
* **power**: no difference, margin four standard errors; *pairwise*: plain t over containers that have both depths.

Limits: rates 5 %, coverage 94 to 96 % (97.5 % with six containers or fewer: "cautious"; 96.5 % with losses), each plus
3.5 Monte Carlo errors. Designs read containers x depths x determinations.

Truths: {truths}. The last three are reported, not held to limits: with a fifth of the containers settled the mean of
few containers is skewed, and no test of a mean is exact. That is why the word for the stock also needs the share.
"""
COLUMNS = ("truth", "design", "studies", "false homogeneous", "false stratified (narrow)", "coverage", "together",
           "power (pairwise)", "misses")


def line(r: Rates) -> str:
    """One scenario as a row."""
    told = "; ".join(r.faults()) or ("cautious" if r.cautious else "none")
    return (f"| {r.scenario.truth} | {r.scenario.name} | {r.studies} | {r.false_homogeneous:.2f} | {r.false_stratified:.2f} "
            f"({r.false_stratified_narrow:.2f}) | {r.coverage_low:.1f}-{r.coverage_high:.1f} | {r.together:.1f} | "
            f"{r.power:.1f} ({r.power_pairwise:.1f}) | {told if r.scenario.required else f'(reported) {told}'} |")


def head(columns: Sequence[str]) -> list[str]:
    """Head of a Markdown table."""
    return ["| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]


def scenario_table(rates: Sequence[Rates]) -> list[str]:
    """All scenarios, per cent."""
    return [*head(COLUMNS), *(line(r) for r in rates)]


def comparison(studies: int, seed: int) -> list[str]:
    """What the rule that assumes sphericity would do, on the same studies."""
    out = head(("truth", "design", "false homogeneous: pooled", "own differences", "least coverage: pooled",
                "own differences", "power: pooled", "own differences"))
    for n, k in ((4, 3), (12, 3), (12, 5)):
        for truth in ("equal", "gradients", "steep gradients", "lowest zone x 3", "AR(1) 0.7"):
            s = Scenario(truth=truth, containers=n, depths=k)
            a, b = run_scenario(s, studies, seed, "pooled"), run_scenario(s, studies, seed)
            out.append(f"| {truth} | {s.name} | {a.false_homogeneous:.1f} | {b.false_homogeneous:.1f} | {a.coverage_low:.1f} | "
                       f"{b.coverage_low:.1f} | {a.power:.0f} | {b.power:.0f} |")
    return out


def stock_table(rates: Sequence[StockRates]) -> list[str]:
    """Stocks, per cent."""
    out = head(("stock", "noise", "containers", "studies", "bound covers", "normal bound covers", "median bound",
                "reassures (20 % allowed)", "misses"))
    return out + [f"| {r.truth} | {r.noise} | {r.containers} | {r.studies} | {r.covered:.1f} | {r.covered_normal:.0f} | "
                  f"{r.median:.0f} | {r.reassured:.1f} | {'; '.join(r.faults()) or 'none'} |" for r in rates]


def limit_table(rates: Sequence[LimitRates]) -> list[str]:
    """Values below a limit, per cent."""
    out = head(("scale", "design", "limits", "studies", "95 % intervals cover", "words printed", "broken by an attack",
                "misses"))
    return out + [f"| {r.scale} | {r.design} | {100 * r.limits:.0f} | {r.studies} | {r.covered:.1f} | {r.printed} | "
                  f"{r.broken} | {'; '.join(r.faults()) or 'none'} |" for r in rates]


def document(parts: dict[str, list[str]], head_text: str, faults: int, cautious: int) -> str:
    """The page."""
    body = [head_text]
    for title, rows in parts.items():
        body += [f"## {title}", "", *rows, ""]
    said = "Every required limit is kept." if not faults else f"{faults} rows miss a limit."
    return "\n".join([*body, "## Outcome", "", f"{said} {cautious} rows are cautious (coverage above 96 %).", ""])


def _call(job: tuple[Callable[..., Any], tuple[Any, ...]]) -> Any:
    function, arguments = job
    found = function(*arguments)
    if isinstance(found, Rates):
        print(line(found), file=sys.stderr, flush=True)
    return found


def jobs_of(complete: int, lost: int, scenarios: Sequence[Scenario]) -> list[tuple[Callable[..., Any], tuple[Any, ...]]]:
    """Everything that is to be simulated, each with its own seed."""
    out: list[tuple[Callable[..., Any], tuple[Any, ...]]] = []
    for i, s in enumerate(scenarios):
        size = complete if not s.lost else lost if s.containers * s.depths <= 36 else lost // 2
        out.append((run_scenario, (s, size, SEED + i)))
    stocks = max(lost // 10, 40)
    out += [(run_stock, (*job, stocks, SEED + 1000 + i)) for i, job in enumerate(STOCKS)]
    return out + [(run_limits, (*job, max(lost // 200, 4), SEED + 2000 + i)) for i, job in enumerate(LIMITS)]


def main(arguments: list[str] | None = None) -> int:
    """Run everything, write the page, and fail where a required limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--complete", type=int, default=16_000, help="studies a scenario where nothing is lost")
    parser.add_argument("--lost", type=int, default=5_000, help="studies a scenario with lost readings")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("docs/operating.md"))
    asked = parser.parse_args(arguments)
    jobs = jobs_of(asked.complete, asked.lost, SCENARIOS)
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            found = list(pool.map(_call, jobs))
    else:
        found = [_call(job) for job in jobs]
    rates = [r for r in found if isinstance(r, Rates)]
    stocks, limits = [r for r in found if isinstance(r, StockRates)], [r for r in found if isinstance(r, LimitRates)]
    faults = sum(bool(r.faults()) for r in [*(r for r in rates if r.scenario.required), *stocks, *limits])
    parts = {"Any scatter across depths": scenario_table(rates),
             "Beside a rule that assumes sphericity": comparison(asked.complete // 2, SEED),
             "Containers, not only their mean": stock_table(stocks), "Values known only within bounds": limit_table(limits)}
    truths = "; ".join(f"*{t}*: {WORDS[t]}" for t in (*NORMAL, *STRESS))
    spent = sum(u.ru_utime + u.ru_stime for u in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)))
    text = document(parts, HEAD.format(date=datetime.date.today().isoformat(), seed=SEED, truths=truths, minutes=spent / 60),
                    faults, sum(r.cautious for r in rates))
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text(text, encoding="utf-8")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
