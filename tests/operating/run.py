"""Writes docs/operating.md: ``python -m tests.operating.run`` (two processes, under 20 minutes)."""

from __future__ import annotations

import argparse
import datetime
import resource
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from .declared import DECLARATIONS, DeclaredRates, run_declared
from .engine import Rates, UnlikeRates, run_scenario
from .groups import COMPARED, GroupRates, run_grouped
from .groups import RULES as GROUP_RULES
from .litres import POURED, LitreRates, run_litres
from .named import NAMED, NamedRates, run_containers
from .page import PAGES, PageRates, run_page
from .rivals import RIVALS, RULES, RivalRates, run_rival
from .scenarios import NORMAL, SCENARIOS, STRESS, WORDS
from .single import ALONE, SingleRates, run_single
from .stocks import LIMITS, STOCKS, LimitRates, StockRates, run_limits, run_stock

SEED = 20261125
HEAD = """# How often the verdict errs: simulated operating characteristics

Written by `python -m tests.operating.run` on {date} (seed {seed}, {minutes:.0f} minutes of processor time); do not
edit.

The rule: a pair of depths is judged by the containers' own differences, whatever the covariance across depths. Nothing
lost: t over those differences, whatever their groups. Readings lost: least squares within containers (each declared
group by itself, then in the mix of all) with the cluster-robust CR2 standard error about the mean of all and Bell and
McCaffrey's degrees of freedom, or that of the containers that have both depths where the pattern promises it to be
shorter. Pairs that fewer than three containers have together get the least degrees of freedom over stocks in which one
zone scatters ten times as much. Homogeneous: every pair within by two one-sided tests.
Stratified: some pair beyond, charged with the union over the corners of "no difference exceeds the margin".

* **false homogeneous**: last and first depth exactly at the margin (eight standard errors), the others in between;
* **false stratified**: half of the depths at zero, half at the margin, the worse half; *narrow*: margins of 0.3,
  0.75 and 1.5 standard errors (limit 5.4 %);
* **coverage**: least and largest over pairs of 95 % intervals; *together*: simultaneous intervals;
* **power**: no difference, margin four standard errors; *pairwise*: plain t over containers that have both depths.

Limits: rates 5 %, coverage 94 to 96 % (97.5 % with six containers or fewer: "cautious"; 96.5 % with losses; from above
not held where groups scatter unlike each other), each plus
3.5 Monte Carlo errors. Designs read containers x depths x determinations.

Truths: {truths}. The last three are reported, not held to limits: with a fifth of the containers settled the mean of
few containers is skewed, and no test of a mean is exact. That is why the word for the stock also needs the share.
"""
COLUMNS = ("truth", "design", "studies", "false homogeneous", "false stratified (narrow)", "coverage", "together",
           "power (pairwise)", "let pass", "misses")


def line(r: Rates) -> str:
    """One scenario as a row."""
    told = "; ".join(r.faults()) or ("cautious" if r.cautious else "none")
    return (f"| {r.scenario.truth} | {r.scenario.name} | {r.studies} | {r.false_homogeneous:.2f} | {r.false_stratified:.2f} "
            f"({r.false_stratified_narrow:.2f}) | {r.coverage_low:.1f}-{r.coverage_high:.1f} | {r.together:.1f} | "
            f"{r.power:.1f} ({r.power_pairwise:.1f}) | {r.limits() if r.scenario.required else ''} | "
            f"{told if r.scenario.required else f'(reported) {told}'} |")


def head(columns: Sequence[str]) -> list[str]:
    """Head of a Markdown table."""
    return ["| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]


def scenario_table(rates: Sequence[Rates]) -> list[str]:
    """All scenarios, per cent."""
    return [*head(COLUMNS), *(line(r) for r in rates)]


def declared_table(rates: Sequence[DeclaredRates]) -> list[str]:
    """Scatter declared beforehand, per cent."""
    out = head(("declared", "truth", "design", "studies", "false homogeneous", "false stratified (narrow)", "coverage",
                "power (own differences)", "its check speaks", "let pass", "misses"))
    for d in rates:
        r = d.rates
        told = "; ".join(d.faults()) or "none" if d.holds else "(declaration false, reported)"
        out.append(f"| {d.structure} | {r.scenario.truth} | {r.scenario.name} | {r.studies} | {r.false_homogeneous:.2f} | "
                   f"{r.false_stratified:.2f} ({r.false_stratified_narrow:.2f}) | {r.coverage_low:.1f}-{r.coverage_high:.1f} | "
                   f"{r.power:.1f} ({r.power_pairwise:.1f}) | {d.against:.1f} | {r.limits() if d.holds else ''} | {told} |")
    return out


def rival_table(rates: Sequence[RivalRates]) -> list[str]:
    """Other rules for lost readings, per cent of the studies they answered."""
    out = head(("truth", "design", "rule", "studies", "false homogeneous", "coverage", "power", "no answer"))
    return out + [f"| {r.scenario.truth} | {r.scenario.name} | {r.rule} | {r.studies} | {r.false_homogeneous:.1f} | "
                  f"{r.coverage:.1f} | {r.power:.0f} | {r.failed:.1f} |" for r in rates]


def group_rule_table(rates: Sequence[GroupRates]) -> list[str]:
    """Rules for groups, one row a case: false homogeneous / false stratified, power of each rule, per cent."""
    out = head(("groups of", "scattering", "apart by", "depths", "studies", *GROUP_RULES))
    for i in range(0, len(rates), len(GROUP_RULES)):
        some = rates[i:i + len(GROUP_RULES)]
        r, told = some[0], [f"{x.false_homogeneous:.1f} / {x.false_stratified:.1f}, {x.power:.0f}" for x in some]
        out.append(f"| {' and '.join(map(str, r.sizes))} | {' and '.join(f'{x:g}' for x in r.scatter)} | {r.apart:g} SD | "
                   f"{r.depths} | {r.studies} | {' | '.join(told)} |")
    return out


def page_table(rates: Sequence[PageRates]) -> list[str]:
    """Words of the report for mixtures, per cent."""
    out = head(("stock", "design", "studies", "homogeneous", "uneven", "misses"))
    return out + [f"| {r.stock} | {r.containers} x 3 x {r.determinations} | {r.studies} | {r.homogeneous:.1f} | "
                  f"{r.uneven:.1f} | {'; '.join(r.faults()) or 'none'} |" for r in rates]


def named_table(rates: Sequence[NamedRates]) -> list[str]:
    """Single containers named beyond, or shown within, per cent; in brackets by one scatter for all."""
    out = head(("scatter", "containers", "depths", "studies", "named at the margin", "shown within at the margin",
                "named at two margins", "level ones shown within", "let pass", "misses"))
    return out + [f"| {r.scatter} | {r.containers} | {r.depths} | {r.studies} | {r.named:.1f} ({r.named_pooled:.1f}) | "
                  f"{r.cleared:.1f} ({r.cleared_pooled:.1f}) | {r.found:.1f} ({r.found_pooled:.1f}) | {r.level:.1f} | "
                  f"{f'{r.limit:.1f}' if r.required else ''} | "
                  f"{('; '.join(r.faults()) or 'none') if r.required else '(reported)'} |" for r in rates]


def litre_table(rates: Sequence[LitreRates]) -> list[str]:
    """First and last litres, per cent."""
    out = head(("litre", "scale", "containers", "studies", "mean covered", "further container covered", "misses"))
    return out + [f"| {r.which} | {r.scale} | {r.containers} | {r.studies} | {r.mean:.1f} | {r.further:.1f} | "
                  f"{'; '.join(r.faults()) or 'none'} |" for r in rates]


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


def single_table(rates: Sequence[SingleRates]) -> list[str]:
    """One container, per cent."""
    out = head(("depths", "results", "real over stated scatter", "studies", "false homogeneous", "false stratified",
                "wrong words with a warning beside", "let pass", "misses"))
    return out + [f"| {r.depths} | {r.results} | {r.factor:g} | {r.studies} | {r.false_homogeneous:.2f} | "
                  f"{r.false_stratified:.2f} | {r.warned:.0f} | {f'{r.limit:.2f}' if r.factor == 1 else ''} | "
                  f"{'(reported)' if r.factor > 1 else '; '.join(r.faults()) or 'none'} |" for r in rates]


OUTCOME = "Outcome"


def document(parts: dict[str, list[str]], head_text: str, faults: int, cautious: int) -> str:
    """The page."""
    said = "Every required limit is kept." if not faults else f"{faults} rows miss a limit."
    end = {OUTCOME: [f"{said} {cautious} rows are cautious (coverage above 96 %)."]}
    return "\n".join([head_text, *(line for title, rows in (parts | end).items() for line in (f"## {title}", "", *rows, ""))])


def spliced(old: str, parts: dict[str, list[str]], faults: int) -> str:
    """An older page with some sections made anew; its end says which, and when."""
    head_text, *rest = old.split("\n## ")
    pages = {title: body.strip().split("\n") for title, _, body in (r.partition("\n") for r in rest)}
    end = pages.pop(OUTCOME)
    said = f"{faults} rows of them miss a limit" if faults else "none of their rows misses a limit"
    end += ["", f"Made apart from the rest, on {datetime.date.today().isoformat()}: {', '.join(parts)}; {said}."]
    whole = pages | parts | {OUTCOME: end}
    ordered = {t: whole[t] for t in (*(t for t, _ in TABLES.values() if t in whole), OUTCOME)}
    return "\n".join([head_text, *(line for title, rows in ordered.items() for line in (f"## {title}", "", *rows, ""))])


def _spent(seconds: Sequence[float]) -> str:
    return f"{len(seconds)} rows, {sum(seconds) / 60:.1f} minutes of processor time."


def _call(job: tuple[Callable[..., Any], tuple[Any, ...]]) -> tuple[Any, float]:
    function, arguments = job
    begin = time.process_time()
    found = function(*arguments)
    print(line(found) if isinstance(found, Rates) else found, file=sys.stderr, flush=True)
    return found, time.process_time() - begin


def run_named(*job: Any) -> Rates:
    """``run_scenario`` for named groups, which are made anew by themselves."""
    return run_scenario(*job)


def jobs_of(complete: int, lost: int) -> list[tuple[Callable[..., Any], tuple[Any, ...]]]:
    """Everything that is to be simulated, each with its own seed."""
    out: list[tuple[Callable[..., Any], tuple[Any, ...]]] = []
    for i, s in enumerate(SCENARIOS):
        size = complete if not s.lost else lost if s.containers * s.depths <= 36 else lost // 2
        out.append((run_named if s.sizes else run_scenario, (s, size, SEED + i)))
    for i, (structure, s) in enumerate(DECLARATIONS):
        out.append((run_declared, (structure, s, max(lost // 5, 20) if s.lost else complete, SEED + 500 + i)))
    rest: list[tuple[Callable[..., Any], Sequence[tuple[Any, ...]], int]] = [
        (run_stock, STOCKS, max(lost // 10, 40)), (run_limits, LIMITS, max(lost // 100, 4)),
        (run_page, PAGES, max(lost // 40, 8)), (run_litres, POURED, max(complete // 8, 40)),
        (run_rival, RIVALS, max(lost // 20, 8)), (run_single, ALONE, max(lost // 5 * 2, 40)),
        (run_grouped, COMPARED, complete), (run_containers, NAMED, max(lost // 8, 40))]
    for block, (function, jobs, size) in enumerate(rest):
        every = {run_rival: len(RULES), run_grouped: len(GROUP_RULES)}.get(function, 1)  # rivals see the same studies
        out += [(function, (*job, size, SEED + 1000 * (block + 1) + i // every)) for i, job in enumerate(jobs)]
    return out


TABLES: dict[type, tuple[str, Callable[[Any], list[str]]]] = {
    Rates: ("Any scatter across depths", scenario_table),
    UnlikeRates: ("Named groups", scenario_table),
    DeclaredRates: ("A scatter that was declared beforehand", declared_table),
    RivalRates: ("Other rules for lost readings", rival_table),
    GroupRates: ("Other rules for groups that scatter unlike each other", group_rule_table),
    StockRates: ("Containers, not only their mean", stock_table),
    PageRates: ("Mixtures through the report's own path", page_table),
    NamedRates: ("Single containers that scatter unlike the others", named_table),
    LitreRates: ("First and last litres", litre_table),
    LimitRates: ("Values known only within bounds", limit_table),
    SingleRates: ("One container", single_table)}
SECTIONS = {"covariance": run_scenario, "named": run_named,
            "declared": run_declared, "rivals": run_rival, "groups": run_grouped,
            "shares": run_stock, "containers": run_containers, "pages": run_page, "litres": run_litres, "limits": run_limits,
            "single": run_single}
"""What ``--only`` makes anew."""
NOTES = {
    SingleRates: "The scatter is taken from the method's stated precision, which holds no scatter of drawing: limit 5 % where "
                 "the real one is as stated. Margin six standard errors of a difference; a warning stands beside every word "
                 "whose tipping factor is below 1.5.",
    UnlikeRates: "Groups of the sizes told, whose containers' profiles scatter as many times as told. Coverage is not held "
                 "from above.",
    DeclaredRates: "Held to the limits where the declaration is true; elsewhere reported. *Its check*: the test of the model "
                   "chapter at 5 % (level where true, power where not).",
    RivalRates: "Rates are of the studies a rule answered. *Chosen* is the rule of this page. REML: Kenward and Roger's df, "
                "the container's level taken out. Bootstraps: of the chosen rule's statistic, 199 draws.",
    GroupRates: "False homogeneous / false stratified (the worst of four margins), power; no reading lost. *Apart by*: how far "
                "the last group's bottom minus top lies from the others', in SDs of one container's. *Pooled*: one scatter "
                "within groups. *Welch*: each group's own. *Corrected*: fewer degrees of freedom where the smallest rules. "
                "*Chosen*: about the mean of all; it alone keeps 5 % everywhere and loses power where groups lie apart.",
    PageRates: "Tables of a study, rows, models and verdicts as the report makes them (no mixed model, which decides "
               "nothing); scope stock, 20 % allowed. Limit where more is beyond: homogeneous in 5 %.",
    NamedRates: "One container exactly at the margin (six standard errors of a difference) in its lowest zone, the others "
                "level, every zone determined twice. In brackets: were one scatter taken for all containers. One zone that "
                "scatters five times as much rests on two determinations, and is reported.",
    LitreRates: "Nominal 90 %; a settled stock of unlike containers."}


def main(arguments: list[str] | None = None) -> int:
    """Run everything, write the page, and fail where a required limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--complete", type=int, default=8_000, help="studies a scenario where nothing is lost")
    parser.add_argument("--lost", type=int, default=8_000, help="studies a scenario with lost readings")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("docs/operating.md"))
    parser.add_argument("--only", nargs="+", default=[], choices=SECTIONS, help="make these sections anew")
    asked = parser.parse_args(arguments)
    jobs = [j for j in jobs_of(asked.complete, asked.lost) if not asked.only or j[0] in [SECTIONS[n] for n in asked.only]]
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            timed = list(pool.map(_call, jobs))
    else:
        timed = [_call(job) for job in jobs]
    found = [r for r, _ in timed]
    rates = [r for r in found if isinstance(r, Rates)]
    compared = (RivalRates, GroupRates)
    held = [r for r in found if not isinstance(r, compared) and (not isinstance(r, Rates) or r.scenario.required)]
    missed = [r for r in held if r.faults()]
    faults = len(missed)
    for r in missed:
        print(f"LIMIT MISSED: {'; '.join(r.faults())} in {r}", file=sys.stderr)
    parts = {title: [*([NOTES[kind], ""] if kind in NOTES else []), *table([r for r in found if type(r) is kind]), "",
                     _spent([t for r, t in timed if type(r) is kind])]
             for kind, (title, table) in TABLES.items() if any(type(r) is kind for r in found)}
    if asked.only:
        asked.out.write_text(spliced(asked.out.read_text(encoding="utf-8"), parts, faults), encoding="utf-8")
        return 1 if faults else 0
    truths = "; ".join(f"*{t}*: {WORDS[t]}" for t in (*NORMAL, *STRESS))
    spent = sum(u.ru_utime + u.ru_stime for u in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)))
    text = document(parts, HEAD.format(date=datetime.date.today().isoformat(), seed=SEED, truths=truths, minutes=spent / 60),
                    faults, sum(r.cautious for r in rates))
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text(text, encoding="utf-8")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
