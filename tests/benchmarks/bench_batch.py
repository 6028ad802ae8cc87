"""Time per fit of many responses of one design, against lme4's refit and statsmodels, measured in one run.

    python tests/benchmarks/bench_batch.py

Prints processor microseconds per fit (one thread) and ratios. The R part is skipped with the reason where R is missing.
"""

# ruff: noqa: E402  (the number of threads must be set before numpy is loaded)
from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import shutil
import subprocess
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf

from studykit.mixed.batch.fit import BatchDesign
from studykit.mixed.fit import fit_reml

FIXED, RANDOM = ["depth"], ["container", "container:depth"]
R_SCRIPT = """
suppressPackageStartupMessages(library(lme4))
args <- commandArgs(trailingOnly = TRUE)
d <- read.csv(args[1], colClasses = "character"); Y <- as.matrix(read.csv(args[2]))
for (v in names(d)) d[[v]] <- factor(d[[v]])
d$y <- Y[, 1]
quiet <- lmerControl(check.conv.singular = "ignore", check.conv.grad = "ignore", check.conv.hess = "ignore")
m <- lmer(y ~ depth + (1|container) + (1|container:depth), d, control = quiet)
s <- proc.time(); for (i in 1:ncol(Y)) m <- refit(m, Y[, i]); e <- proc.time() - s
d$y <- Y[, ncol(Y)]  # lme4 1.1-31's refit ends elsewhere than its own lmer; the criterion is lmer's
m <- lmer(y ~ depth + (1|container) + (1|container:depth), d, control = quiet)
cat(sprintf("%.8f %.8f", (e[1] + e[2]) / ncol(Y), REMLcrit(m)))
"""


def design(lost: float) -> pd.DataFrame:
    """12 containers, 3 depths, 2 determinations."""
    c, d, _ = np.indices((12, 3, 2)).reshape(3, -1)
    frame = pd.DataFrame({"container": [f"C{i:02d}" for i in c], "depth": [f"D{i}" for i in d]})
    return frame[np.random.default_rng(1).random(len(frame)) >= lost].reset_index(drop=True)


def responses(frame: pd.DataFrame, many: int) -> np.ndarray:
    """Simulated responses (rows, many)."""
    rng = np.random.default_rng(2)
    c, cd = pd.factorize(frame["container"])[0], pd.factorize(frame["container"] + frame["depth"])[0]
    y = 0.6 * rng.normal(size=(c.max() + 1, many))[c] + 0.4 * rng.normal(size=(cd.max() + 1, many))[cd]
    return 10 + y + 0.3 * rng.normal(size=(len(frame), many))


def refit(frame: pd.DataFrame, Y: np.ndarray) -> tuple[float, float] | str:
    """Seconds of one lme4 refit and the last criterion, or why there is none."""
    if shutil.which("Rscript") is None:
        return "Rscript is not installed"
    with tempfile.TemporaryDirectory() as folder:
        paths = [str(Path(folder) / n) for n in ("d.csv", "y.csv")]
        frame.to_csv(paths[0], index=False)
        pd.DataFrame(Y).to_csv(paths[1], index=False)
        done = subprocess.run(["Rscript", "-e", R_SCRIPT, *paths], capture_output=True, text=True, check=False)
    if done.returncode:
        return f"R failed: {done.stderr.strip().splitlines()[-1]}"
    seconds, criterion = done.stdout.split()[-2:]
    return float(seconds), float(criterion)


def statsmodels_fit(frame: pd.DataFrame, Y: np.ndarray) -> float:
    """Seconds of one MixedLM fit (its warnings are not of interest here)."""
    start = time.process_time()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for y in Y.T:
            data = frame.assign(y=y)
            smf.mixedlm("y ~ depth", data, groups="container", re_formula="1", vc_formula={"cd": "0 + depth"}).fit()
    return (time.process_time() - start) / Y.shape[1]


def timed(action) -> float:  # type: ignore[no-untyped-def]
    """Best of three, processor seconds."""
    times = []
    for _ in range(3):
        start = time.process_time()
        action()
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    """Print one paragraph a design."""
    for name, lost, many in (("12 x 3 x 2 balanced", 0.0, 40_000), ("12 x 3 x 2, 15 % lost", 0.15, 6_000)):
        frame = design(lost)
        Y = responses(frame, many)
        batch = BatchDesign.from_table(frame, FIXED, RANDOM)
        fits = batch.fit(Y)
        each = timed(lambda batch=batch, Y=Y: batch.fit(Y)) / many
        contrast = timed(lambda batch=batch, fits=fits: batch.contrast(fits, [0.0, 1.0, 0.0])) / many
        one = fit_reml(frame.assign(y=Y[:, 199]), "y", FIXED, RANDOM)
        worst = float(np.abs(fits.variances[199] - list(one.variances.values())).max() / Y[:, 199].var())
        print(f"{name} ({batch.way}): {each * 1e6:.2f} us a fit, {contrast * 1e6:.2f} us a Kenward-Roger contrast; "
              f"variances off fit_reml's by {worst:.0e}")  # fmt: skip
        other = refit(frame, Y[:, :200])
        if isinstance(other, str):
            print(f"  lme4 refit skipped: {other}")
        else:
            print(f"  lme4 refit {other[0] * 1e3:.2f} ms: {other[0] / each:,.0f} times slower than ours; "
                  f"criterion ours - lme4 {fits.criterion[199] - other[1]:.1e}")  # fmt: skip
        seconds = statsmodels_fit(frame, Y[:, :20])
        print(f"  statsmodels MixedLM {seconds * 1e3:.1f} ms: {seconds / each:,.0f} times slower than ours")


if __name__ == "__main__":
    main()
