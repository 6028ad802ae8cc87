"""Whether the check fluid crept over the years: each reading less its reference value, against the day of its study.

    reading - reference = level + rate x years + study + run in study + rest

by the kit's REML with the Kenward-Roger interval for the rate. Study by study the same departures stand in a table of their
own. Only studies whose check fluid has a reference value with its uncertainty enter: without one nobody knows whether it is
the same fluid, and a new bottle would pass for a drift.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import StudyKitError
from studykit.inference import Margin
from studykit.register.entry import Entry
from studykit.register.naming import Named

KEY = ("laboratory", "method", "analyte", "unit", "invented")
DRIFT = ["laboratory", "method", "analyte", "studies", "readings", "from", "to", "a year", "low", "high", "unit", "df", "told"]
YEARS = ["laboratory", "method", "analyte", "study", "date", "departure", "unit", "readings", "given by"]
FEWEST, SPAN = 4, 1.0
"""Studies, and years from the first to the last, from which a rate is told (own judgement)."""
A_YEAR = 365.25
LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Rates (DRIFT) and the departures of each study (YEARS)."""

    rates: pd.DataFrame
    years: pd.DataFrame


def drift(entries: Sequence[Entry], names: Named) -> Drift:
    """Rates of the check fluid's departure from its reference value, by laboratory, method and analyte."""
    rows = sorted((r for e in entries if e.counts and e.head["date"] for r in _readings(e, names)),
                  key=lambda r: (*(str(r[k]) for k in KEY), r["date"], r["study"]))
    rates, years = [], []
    for key, group in groupby(rows, key=itemgetter(*KEY)):
        own, told = pd.DataFrame(list(group)), dict(zip(KEY, key, strict=True))
        margin = own["margin"].iloc[0]
        rates.append({**told, **_rate(own, margin, told)})
        years += [{**told, **_year(part, margin)} for _, part in own.groupby("study", sort=False)]
    return Drift(rates=pd.DataFrame(rates, columns=DRIFT), years=pd.DataFrame(years, columns=YEARS))


def _readings(entry: Entry, names: Named) -> Iterator[dict[str, Any]]:
    """Departures of one study's check fluid from its reference value, on the scale of the margin."""
    declared = {r["analyte"]: r for r in entry.rows}
    said = {"study": entry.study, "date": entry.head["date"], "invented": bool(entry.head["invented"]),
            "laboratory": names.of(entry.study)["laboratory"]}
    for c in entry.controls:
        own = declared[c["analyte"]]
        log = own["scale"] == "log"
        if c["certain"] and c["centre"] is not None and (c["centre"] > 0 or not log):
            margin = Margin(low=-1.0, high=1.0, scale=own["scale"], text="", unit="%" if log else own["analyte unit"])
            yield {**said, "analyte": c["analyte"], "method": own["method_key"] or own["method"], "unit": margin.unit,
                   "margin": margin, "at": f"{entry.study}\t{c['run']}", "given by": c["given by"],
                   "d": c["y"] - float(margin.to_scale(c["centre"]))}


def _year(own: pd.DataFrame, margin: Margin) -> dict[str, Any]:
    first = own.iloc[0]
    return {"study": first["study"], "date": first["date"], "departure": margin.shown(float(own["d"].mean())),
            "readings": len(own), "given by": first["given by"]}


def rate_of(table: pd.DataFrame) -> tuple[float, float, float, float]:
    """Rate a year of ``d``, its 95 % limits and degrees of freedom; table: d, study, at (run), year (number).

    DesignMismatch and ModelNotTrusted as of ``fit_reml``.
    """
    random = [c for c in ("study", "at") if 1 < table[c].nunique() < len(table)]
    if "at" in random and table["at"].nunique() == table["study"].nunique():
        random.remove("at")  # one run a study: the two are one
    from studykit.mixed import fit_reml  # a second to load, which a register of which nothing changed does not need

    fit = fit_reml(table, "d", fixed=("year",), random=random)
    test, span = fit.test([0.0, 1.0]), fit.interval([0.0, 1.0], LEVEL)
    return float(fit.beta[1]), span.low, span.high, test.df2  # type: ignore[union-attr]


def _rate(own: pd.DataFrame, margin: Margin, told: Mapping[str, Any]) -> dict[str, Any]:
    """One line of rates; the reason in place of numbers where there are too few studies or years."""
    days = own["date"].map(lambda d: dt.date.fromisoformat(d).toordinal()).to_numpy(float)
    studies = int(own["study"].nunique())
    out: dict[str, Any] = {"studies": studies, "readings": len(own), "from": own["date"].min(), "to": own["date"].max()}
    if not told["laboratory"]:
        return out | {"told": "its laboratory is not stated: write it in register.toml"}
    if studies < FEWEST or own["date"].nunique() < 3 or np.ptp(days) < SPAN * A_YEAR:
        return out | {"told": f"too few to tell a rate: studies {studies}, years {np.ptp(days) / A_YEAR:.1f}"}
    try:
        rate, low, high, df = rate_of(own.assign(year=(days - days.mean()) / A_YEAR))
    except StudyKitError as error:
        return out | {"told": str(error).splitlines()[0]}
    said = "no drift is shown" if low <= 0 <= high else f"reads {'more' if rate > 0 else 'less'} from year to year"
    shown = dict(zip(("a year", "low", "high"), map(margin.shown, (rate, low, high)), strict=True))
    return out | shown | {"df": df if math.isfinite(df) else None, "told": f"{said}{' (invented)' if told['invented'] else ''}"}
