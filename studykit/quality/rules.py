"""Check fluid against its reference value: z-scores, and the general control rules, named by run and analyte.

    z = (reading - reference) / sqrt(s^2 + u^2)

s: standard deviation of single readings of that fluid over the laboratory's runs (its control chart); where none is
given, the stated repeatability, which is smaller: the ordinary shift between runs then shows too. u: standard
uncertainty of the reference value, which all readings share. With u it is what ISO 13528 calls z prime (seen in
public texts, not in the standard).

Rules, after Westgard, Barry, Hunt and Groth (1981), Clin. Chem. 27:493 (the paper from memory, the rules as public
teaching texts give them): ``1-3s`` one reading beyond 3; ``2-2s`` two in a row beyond 2 on one side; ``R-4s``
within one run one above 2 and one below -2; ``10-x`` ten in a row on one side. Two differences from common
practice, both ours: R-4s compares readings with each other, so u stays out of it; for 10-x readings count as on
one side only where their mean lies beyond twice u, since a reference that is a little off puts all of them there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from studykit.core.listing import places_of
from studykit.quality.flags import CHANCE, CheckResult, Flag, listed, shown

RULES = ("1-3s", "2-2s", "R-4s", "10-x")
ROW = 10
TAILS = 6.0
"""Degrees of freedom of the tails by which one z-score is called too far for chance (as ``frame.NU``)."""
Z_COLUMNS = ["run", "run_order", "sample", "analyte", "value", "reference_value", "u", "s", "unit", "z"]
RUN_COLUMNS = ["run", "analyte", "readings", "reference_value", "u", "s", "unit", "z_mean", "z_low", "z_high", "rules_broken"]


def z_scores(t: pd.DataFrame, limits: pd.DataFrame | None, promised: Mapping[str, float]) -> pd.DataFrame:
    """A row each reading of the check fluid that has a reference value, in the order of reading (``Z_COLUMNS``).

    Runs follow one another as their names do, numbers in them by size.

    ``t``: working table. ``limits``: columns analyte, value, uncertainty (standard), spread, in the study's unit;
    ``promised``: repeatability on the scale of y, for analytes without spread. Those with neither are left out.
    """
    own = t[t["kind"] == "check fluid"]
    if limits is None or "value" not in limits or own.empty:
        return pd.DataFrame(columns=Z_COLUMNS)
    known = limits[limits["value"].notna()].set_index("analyte")
    own = own[own["analyte"].isin(known.index)]
    own = own.assign(sequence=own["run"].map(places_of(own["run"]))).sort_values(
        ["analyte", "sequence", "run_order", "replicate"], kind="stable")
    value, u = (own["analyte"].map(known[c]).astype(float) for c in ("value", "uncertainty"))
    stated: pd.Series = own["analyte"].map(dict(promised)).astype(float) * np.where(own["relative"], value, 1.0)
    spread = own["analyte"].map(known["spread"]).astype(float) if "spread" in known else stated
    s = spread.fillna(stated)
    out = pd.DataFrame({"run": own["run"], "run_order": own["run_order"], "sample": own["sample"], "analyte": own["analyte"],
                        "value": own["value"], "reference_value": value, "u": u, "s": s, "unit": own["unit"],
                        "z": (own["value"] - value) / np.hypot(s, u)})
    return out[s > 0].reset_index(drop=True)


def _streaks(hit: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    """Places that lie in a row of at least ``length`` hits."""
    out = np.zeros(hit.size, dtype=bool)
    start = 0
    for k in range(hit.size + 1):
        if k == hit.size or not hit[k]:
            if k - start >= length:
                out[start:k] = True
            start = k + 1
    return out


def _lasting(away: NDArray[np.float64], u: float) -> NDArray[np.bool_]:
    """Places in rows of ``ROW`` or more above the reference value of which some ten in a row have their mean beyond 2 u."""
    row = _streaks(away > 0, ROW)
    out = np.zeros(row.size, dtype=bool)
    for k in range(row.size - ROW + 1):
        if row[k : k + ROW].all() and away[k : k + ROW].mean() > 2 * u:
            out[k : k + ROW] = True
    return out


def broken(run: NDArray[np.object_], away: NDArray[np.float64], s: float, u: float) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Each rule that readings of one analyte break, with the places that break it.

    ``away`` (n): readings less reference, in order of reading; ``run`` (n); ``s``, ``u``: as in the module's formula.
    """
    z, own = away / np.hypot(s, u), away / s
    yield "1-3s", np.abs(z) > 3
    yield "2-2s", _streaks(z > 2, 2) | _streaks(z < -2, 2)
    both = np.zeros(z.size, dtype=bool)
    for name in set(run):
        mine = run == name
        if (own[mine] > 2).any() and (own[mine] < -2).any():
            both |= mine & (np.abs(own) > 2)
    yield "R-4s", both
    yield "10-x", _lasting(away, u) | _lasting(-away, u)


def control_rules(t: pd.DataFrame, limits: pd.DataFrame | None,
                  promised: Mapping[str, float]) -> tuple[CheckResult, CheckResult]:
    """The z-scores, and the control rules by run and analyte, with one flag a run and analyte that break any.

    A hint: of many readings some break a rule by chance, more where tails are heavy (measured: docs/04-quality.md). It
    asks where a reading is so far out that among as many readings it would happen in less than ``CHANCE`` of studies.
    """
    z = z_scores(t, limits, promised)
    if z.empty:
        note = "not assessed: no reference value of the check fluid with its uncertainty in plan/check_limits.csv"
        return (CheckResult(rule="z-scores", table=z, note=note),
                CheckResult(rule="control rules", table=pd.DataFrame(columns=RUN_COLUMNS), note=note))
    z = z.assign(rules_broken=_words(z))
    table = pd.DataFrame(_rows(z), columns=RUN_COLUMNS)
    table = table.sort_values("rules_broken", key=lambda x: x.eq(""), kind="stable").reset_index(drop=True)
    far = 2 * stats.t.sf(z["z"].abs(), TAILS) * len(z) < CHANCE
    some = z[z["rules_broken"].ne("").groupby([z["run"], z["analyte"]]).transform("any")]
    flags = tuple(_flag(g, bool(far[g.index].any()), len(z)) for _, g in some.groupby(["run", "analyte"], sort=True))
    return CheckResult(rule="z-scores", table=z), CheckResult(rule="control rules", table=table, flags=flags)


def _words(z: pd.DataFrame) -> pd.Series:
    """The rules that each reading takes part in breaking, as text."""
    out = pd.Series("", index=z.index, dtype=object)
    for _, g in z.groupby("analyte"):
        away = (g["value"] - g["reference_value"]).to_numpy(float)
        for rule, at in broken(g["run"].to_numpy(object), away, float(g["s"].iloc[0]), float(g["u"].iloc[0])):
            out[g.index[at]] += f" {rule}"
    return out.str.strip()


def _rules(broken_: Iterable[str]) -> list[str]:
    """The rules that these readings break (of each its rules as text), in the order of ``RULES``."""
    seen = {word for text in broken_ for word in str(text).split()}
    return [r for r in RULES if r in seen]


def _rows(z: pd.DataFrame) -> list[tuple[object, ...]]:
    """Rows of ``RUN_COLUMNS``: the readings of one analyte in one run each."""
    code = z.groupby(["run", "analyte"], sort=True).ngroup().to_numpy()
    order = np.argsort(code, kind="stable")
    order = order[code[order] >= 0]
    groups = np.split(order, np.flatnonzero(np.diff(code[order])) + 1) if order.size else []
    columns = [z[c].tolist() for c in ("run", "analyte", "reference_value", "u", "s", "unit")]
    score, words, rows = z["z"].to_numpy(float), z["rules_broken"].tolist(), []
    for at in groups:
        run, analyte, value, u, s, unit = (c[at[0]] for c in columns)
        own = score[at][~np.isnan(score[at])]
        told = (own.mean(), own.min(), own.max()) if own.size else (np.nan,) * 3
        rows.append((run, analyte, len(at), value, u, s, unit, *told,
                     " ".join(_rules(words[k] for k in at))))
    return rows


def _flag(g: pd.DataFrame, far: bool, n: int) -> Flag:
    """One flag for the control rules that the readings of one analyte in one run break."""
    own, first = g[g["rules_broken"] != ""], g.iloc[0]
    rules = listed(_rules(own["rules_broken"]))
    text = (f"the check fluid breaks {rules} in this run (z {listed([shown(v, 2) for v in own['z']])}); " + (
        "so far out by chance in less than one study in a hundred" if far else
        f"of {n} readings some do so by chance, one in 370 beyond 3 where they scatter normally")
        + "; to tell: a fresh portion of the check fluid, and some bottles of this run again in another one")
    return Flag(rule="control rules", concern="ask before trusting" if far else "hint only", where=f"run {first['run']}",
                analyte=str(first["analyte"]), samples=tuple(sorted(own["sample"].unique())), evidence=text)
