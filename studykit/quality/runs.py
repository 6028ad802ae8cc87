"""What the laboratory's order can do to a study: runs, drift, carry-over, samples read in depth order.

All four checks look at what is left of the results after container and depth are taken out:

    y = container (within run) + depth + effect of the order + error,

fitted by least squares with one mean for each container-and-run absorbed (Frisch, Waugh and
Lovell: demean both sides, then regress). Because samples are read in random order within a
container, an effect of the order shows as a slope on the position and cannot hide in the depths.
Where the order was not random the kit says so, since then it can.

y is the natural logarithm of the result where the margin is in per cent, else the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from studykit.quality.flags import CHANCE, CheckResult, Flag, holm, one_in, shown

Vector = NDArray[np.float64]
WILD = 6.0
"""Results further than this from the fit (in its standard deviations) are set aside before slopes."""
NO_ORDER = "not assessed: the results carry no run order"


@dataclass(frozen=True, slots=True, kw_only=True)
class AbsorbedFit:
    """Least squares with one mean a group: slopes, their errors, and what is left of each row.

    student: externally studentised residuals (Student's t with df - 1). used: rows that entered.
    """

    slope: Vector
    se: Vector
    df: int
    s: float
    residual: Vector
    fitted: Vector
    student: Vector
    used: NDArray[np.bool_]


def _demean(x: Vector, codes: NDArray[np.intp], count: Vector) -> Vector:
    if x.ndim == 1:
        return x - (np.bincount(codes, x, count.size) / count)[codes]
    return np.column_stack([_demean(x[:, k], codes, count) for k in range(x.shape[1])]) if x.shape[1] else x


def absorb(y: Vector, group: Sequence[str], columns: Vector) -> AbsorbedFit:
    """Regress y (n) on columns (n x k) with a free mean for each group; slopes that cannot be told are NaN."""
    codes, names = pd.factorize(np.asarray(group, dtype=object))
    count = np.bincount(codes, minlength=len(names)).astype(float)
    z, x = _demean(y, codes, count), _demean(columns, codes, count)
    cross = np.linalg.pinv(x.T @ x, rcond=1e-10, hermitian=True)
    slope = cross @ x.T @ z
    rank = int(np.linalg.matrix_rank(x, tol=1e-8 * max(1.0, np.abs(x).max(initial=0.0)))) if x.size else 0
    df = int(y.size - len(names) - rank)
    residual = z - x @ slope
    hat = 1 / count[codes] + np.einsum("ij,jk,ik->i", x, cross, x)
    s2 = float(residual @ residual) / df if df > 0 else np.nan
    free = np.clip(1 - hat, 0, None)
    with np.errstate(divide="ignore", invalid="ignore"):
        s2_without = (s2 * df - np.where(free > 1e-9, residual**2 / free, 0.0)) / (df - 1) if df > 1 else np.nan
        student = np.where(free > 1e-9, residual / np.sqrt(np.maximum(s2_without, 1e-300) * free), np.nan)
    seen = np.abs(x.T @ x @ cross - np.eye(x.shape[1])).max(axis=1, initial=0.0) < 1e-6
    se = np.where(seen, np.sqrt(np.clip(np.diag(cross), 0, None) * s2), np.nan)
    return AbsorbedFit(slope=np.where(seen, slope, np.nan), se=se, df=df, s=float(np.sqrt(s2)),
                       residual=residual, fitted=y - residual, student=student, used=np.ones(y.size, dtype=bool))


def _label_columns(t: pd.DataFrame) -> Vector:
    """One 0/1 column for each label that varies within containers, all but the first."""
    own = t.loc[t["container"] != "", "label"]
    labels = sorted(own.unique())[1:]
    return np.column_stack([((t["label"] == k) & (t["container"] != "")).to_numpy(float) for k in labels]) if (
        labels) else np.zeros((len(t), 0))


def _groups(t: pd.DataFrame) -> list[str]:
    own = t["container"].where(t["container"] != "", t["kind"])
    return list(own + "\t" + t["run"])


def _without_wild(t: pd.DataFrame, extra: Vector) -> tuple[AbsorbedFit, pd.DataFrame]:
    """The fit of labels and extra columns (last ones), after up to three passes that set wild rows aside."""
    keep = np.ones(len(t), dtype=bool)
    for _ in range(3):
        part = t[keep]
        x = np.column_stack([_label_columns(part), extra[keep]])
        fit = absorb(part["y"].to_numpy(float), _groups(part), x)
        wild = np.abs(np.nan_to_num(fit.student)) > WILD
        if not wild.any() or fit.df < 8:
            break
        keep[np.flatnonzero(keep)[wild]] = False
    return fit, part


def positions(t: pd.DataFrame) -> Vector:
    """Place of each row within its run: -1/2 for the first position, +1/2 for the last."""
    low = t.groupby("run")["run_order"].transform("min")
    span = t.groupby("run")["run_order"].transform("max") - low
    return ((t["run_order"] - low) / span.where(span > 0) - 0.5).fillna(0.0).to_numpy(float)


def _amount(slope: float, relative: bool, unit: str) -> str:
    return f"{shown(100 * np.expm1(slope), 2)} %" if relative else f"{shown(slope, 2)} {unit}"


def _slope_flags(table: pd.DataFrame, rule: str, sentence: str) -> tuple[Flag, ...]:
    """Flags for the rows whose Holm-adjusted p is small; ``sentence`` has {amount}, {low}, {high}, {p}."""
    flags = []
    for row in table[table["p_holm"] < 5 * CHANCE].to_dict("records"):
        half = stats.t.ppf(0.975, row["df"]) * row["se"]
        words = [_amount(v, row["relative"], row["unit"]) for v in (row["slope"], row["slope"] - half,
                                                                   row["slope"] + half)]
        text = sentence.format(amount=words[0], low=words[1], high=words[2], p=one_in(row["p"]))
        concern = "ask before trusting" if row["p_holm"] < CHANCE else "hint only"
        flags.append(Flag(rule=rule, concern=concern, where="all runs", analyte=row["analyte"], evidence=text))
    return tuple(flags)


SLOPE_COLUMNS = ["analyte", "unit", "relative", "slope", "se", "df", "p", "p_holm"]


def drift(t: pd.DataFrame) -> CheckResult:
    """Whether the reading creeps from the first to the last position of a run, container and depth taken out.

    ``t`` is a working table. The slope is the change over one whole run (ln units where relative);
    two-sided t test, Holm over analytes.
    """
    rows = []
    for analyte, part in t[t["run_order"].notna()].groupby("analyte", sort=True):
        fit, used = _without_wild(part, positions(part)[:, None])
        if fit.df < 3 or np.isnan(fit.se[-1]) or fit.se[-1] == 0:
            continue
        p = 2 * float(stats.t.sf(abs(fit.slope[-1] / fit.se[-1]), fit.df))
        rows.append((analyte, used["unit"].iloc[0], bool(used["relative"].iloc[0]), fit.slope[-1],
                     fit.se[-1], fit.df, p, np.nan))
    table = pd.DataFrame(rows, columns=SLOPE_COLUMNS)
    table["p_holm"] = holm(table["p"])
    text = ("the reading changes by {amount} from the first to the last position of a run (95 % interval {low} to "
            "{high}; by chance alone in {p}); ask for a check fluid at both ends of each run")
    note = NO_ORDER if t["run_order"].isna().all() else "" if rows else "not assessed: too few samples in a run"
    return CheckResult(rule="drift", table=table, flags=_slope_flags(table, "drift", text), note=note)


def depth_order(t: pd.DataFrame) -> CheckResult:
    """Were the depths of the containers read in one and the same order? Then drift looks like depth.

    Table: run order pattern and number of containers. Flagged when one pattern of k depths is so
    common that random order would give it with less than ``CHANCE`` (binomial, 1/k! each).
    """
    own = t[(t["container"] != "") & t["kind"].eq("spot") & t["run_order"].notna()]
    own = own.drop_duplicates("sample").sort_values(["run", "run_order"], kind="stable")
    patterns: dict[str, tuple[str, int]] = {}
    for container, part in own.groupby("container", sort=True):
        depths = list(dict.fromkeys(part["depth"]))
        if len(depths) >= 2:
            patterns[str(container)] = (" > ".join(depths), len(depths))
    table = pd.Series([p for p, _ in patterns.values()], dtype=object).value_counts().rename_axis("order")
    out = table.rename("containers").reset_index()
    flags: list[Flag] = []
    for pattern, n in out.itertuples(index=False):
        k = pattern.count(" > ") + 1
        ways = float(np.prod(np.arange(1, k + 1)))
        of = sum(1 for _, size in patterns.values() if size == k)
        if of >= 3 and min(1.0, ways * float(stats.binom.sf(n - 1, of, 1 / ways))) < CHANCE:
            text = (f"{n} of {of} containers were read in the order {pattern}: drift and carry-over in the "
                    "instrument would look like a difference between depths; ask for a random order")
            flags.append(Flag(rule="depth order", concern="ask before trusting", where="run order", evidence=text))
    return CheckResult(rule="depth order", table=out, flags=tuple(flags), note="" if len(own) else NO_ORDER)


def run_effects(t: pd.DataFrame) -> CheckResult:
    """Whether runs differ in level, judged by the containers in each and by the check fluid.

    Containers: means of each container (depths taken out) on lot, store, treatment, age and age by
    store, then F test for run against the scatter between containers. Check fluid: F test of its runs where repeated
    in a run. Holm over analytes and both. A run effect does not touch differences within a
    container as long as all its depths share a run; containers split over runs are named.
    """
    rows = []
    for analyte, part in t[t["run"] != ""].groupby("analyte", sort=True):
        for what, f, df1, df2, spread in (_container_runs(part), _check_runs(part)):
            if df1 > 0 and df2 >= 4:
                rows.append((analyte, what, spread, f, df1, df2, float(stats.f.sf(f, df1, df2))))
    table = pd.DataFrame(rows, columns=["analyte", "judged_by", "spread_of_runs", "F", "df_runs", "df_error", "p"])
    table["p_holm"] = holm(table["p"])
    flags = []
    for row in table[table["p_holm"] < CHANCE].to_dict("records"):
        text = (f"runs differ in level, judged by {row['judged_by']} (F = {shown(row['F'], 3)} on "
                f"{row['df_runs']} and {row['df_error']}; by chance in {one_in(row['p'])}); "
                "compare containers only with run in the model")
        flags.append(Flag(rule="run effect", concern="ask before trusting", where="all runs",
                          analyte=row["analyte"], evidence=text))
    flags += _split_containers(t)
    note = "" if rows else "not assessed: fewer than two runs, or too few containers in them"
    return CheckResult(rule="run effect", table=table, flags=tuple(flags), note=note)


def _f_test(y: Vector, base: Vector, full: Vector) -> tuple[float, int, int]:
    """F of the columns that ``full`` has beyond ``base``, with both degrees of freedom."""
    left = []
    for x in (base, full):
        fitted = x @ np.linalg.lstsq(x, y, rcond=None)[0]
        left.append((float(np.sum((y - fitted) ** 2)), int(np.linalg.matrix_rank(x))))
    (rss0, r0), (rss1, r1) = left
    df1, df2 = r1 - r0, y.size - r1
    return ((rss0 - rss1) / df1 / (rss1 / df2) if df1 > 0 and df2 > 0 and rss1 > 0 else 0.0), df1, df2


def _dummies(t: pd.DataFrame, names: Sequence[str]) -> Vector:
    parts = [np.ones((len(t), 1))]
    parts += [pd.get_dummies(t[n]).to_numpy(float) for n in names if n in t and t[n].nunique() > 1]
    return np.column_stack(parts)


def _container_runs(part: pd.DataFrame) -> tuple[str, float, int, int, float]:
    own = part[(part["container"] != "") & part["kind"].eq("spot")]
    what = "containers"
    if own["run"].nunique() < 2:
        return what, 0.0, 0, 0, np.nan
    offset = own["y"] - own.groupby("label")["y"].transform("mean")
    first = {k: (k, "first") for k in ("lot", "store", "treatment", "age_months") if k in own}
    means = own.assign(offset=offset).groupby(["container", "run"], as_index=False).agg(
        offset=("offset", "mean"), **first)
    means = means[~means["container"].duplicated(keep=False)]
    base = _dummies(means, ["lot", "store", "treatment"])
    if "age_months" in means and means["age_months"].notna().all():
        age = means["age_months"].to_numpy(float)[:, None]
        base = np.column_stack([base, age, age * _dummies(means, ["store"])])
    y = means["offset"].to_numpy(float)
    f, df1, df2 = _f_test(y, base, np.column_stack([base, _dummies(means, ["run"])]))
    return what, f, df1, df2, float(means.groupby("run")["offset"].mean().std())


def _check_runs(part: pd.DataFrame) -> tuple[str, float, int, int, float]:
    own = part[part["kind"].eq("check fluid")]
    f, df1, df2 = _f_test(own["y"].to_numpy(float), _dummies(own, []), _dummies(own, ["run"])) if len(own) > 2 else (
        0.0, 0, 0)
    return "the check fluid", f, df1, df2, float(own.groupby("run")["y"].mean().std()) if len(own) else np.nan


def _split_containers(t: pd.DataFrame) -> list[Flag]:
    own = t[(t["container"] != "") & t["kind"].eq("spot") & (t["run"] != "")]
    runs = own.groupby("container")["run"].nunique()
    split = sorted(runs[runs > 1].index)
    if not split:
        return []
    text = (f"{len(split)} of {len(runs)} containers have their depths in more than one run, so a difference "
            "between runs can look like a difference between depths; put run into the model")
    return [Flag(rule="container split over runs", concern="ask before trusting",
                 where=", ".join(split[:6]) + (" ..." if len(split) > 6 else ""), evidence=text)]


CARRY_COLUMNS = ["sample", "analyte", "after", "value", "expected", "value_before", "share_carried", "t", "df", "p"]


def carry_over(t: pd.DataFrame) -> CheckResult:
    """Whether a sample reads high because the one before it was rich.

    Looks at samples whose predecessor in the run was richer in an analyte by more than six
    standard deviations of the fit. The residual of each is tested one-sided (externally
    studentised, Bonferroni over all of them); the table lists all that were looked at with the
    share of the predecessor's excess that would explain the residual.
    """
    rows = []
    for analyte, part in t[t["run_order"].notna()].groupby("analyte", sort=True):
        x = _label_columns(part)
        fit = absorb(part["y"].to_numpy(float), _groups(part), x)
        if fit.df >= 5:
            rows += _after_rich(part, fit, str(analyte))
    table = pd.DataFrame(rows, columns=CARRY_COLUMNS)
    flags = []
    for row in table[table["p"] * len(table) < 5 * CHANCE].to_dict("records"):
        text = (f"reads {shown(row['value'])} where container and depth lead one to expect {shown(row['expected'])}, "
                f"right after {row['after']} with {shown(row['value_before'])} ({shown(row['t'], 3)} standard "
                f"deviations; {shown(100 * row['share_carried'], 2)} % carried over would explain it); ask for a "
                "second determination after a rinse")
        concern = "ask before trusting" if row["p"] * len(table) < CHANCE else "hint only"
        flags.append(Flag(rule="carry-over", concern=concern, where=f"sample {row['sample']}",
                          analyte=row["analyte"], samples=(row["sample"],), evidence=text))
    note = NO_ORDER if t["run_order"].isna().all() else "" if rows else "no sample came after a much richer one"
    return CheckResult(rule="carry-over", table=table, flags=tuple(flags), note=note)


def _after_rich(part: pd.DataFrame, fit: AbsorbedFit, analyte: str) -> list[tuple[object, ...]]:
    p = part.assign(fitted=fit.fitted, t=fit.student).sort_values(["run", "run_order", "replicate"], kind="stable")
    before = p.shift(1)
    follows = (before["run"] == p["run"]) & (before["sample"] != p["sample"])
    follows &= (p["run_order"] - before["run_order"]) <= 1
    expected = p["y"] - fit.residual[part.index.get_indexer(p.index)]
    rich = follows & (before["y"] - expected > 6 * fit.s) & p["t"].notna()
    rows: list[tuple[object, ...]] = []
    for i in p.index[rich]:
        relative = bool(p.at[i, "relative"])
        want = float(np.exp(expected[i]) if relative else expected[i])
        value, prior, t = (float(str(f.at[i, k])) for f, k in ((p, "value"), (before, "value"), (p, "t")))
        rows.append((p.at[i, "sample"], analyte, before.at[i, "sample"], value, want, prior,
                     (value - want) / (prior - want), t, fit.df - 1, float(stats.t.sf(t, fit.df - 1))))
    return rows
