"""The rows a model is fitted to: stored containers, zone samples, one analyte, on the scale of its margin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, single
from studykit.inference.cells import CellBounds
from studykit.inference.margin import Margin
from studykit.inference.own import known as known
from studykit.inference.table import read_margin
from studykit.quality.massbalance import zone_shares
from studykit.study.ages import visit_ages
from studykit.study.amounts import margin_of as declared_margin
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Margin as DeclaredMargin
from studykit.study.definition import Study

KEPT = ("sample", "container", "visited_on", "depth", "height", "kind", "lot", "store", "age_months", "treatment", "run",
        "run_order", "replicate", "value", "unit", "qualifier", "limit", "source_file", "source_row")
LEAST_RANDOM = 4
"""Levels from which a factor may be random: with fewer its scatter is hardly known (own judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelRows:
    """Rows of one analyte: ``table`` with ``y`` on the scale of the margin, and the margin on that scale.

    ``censored`` counts the results known only as a limit; they have no ``y``. ``visits``: the rows of all visits, where
    containers were drawn again, with the day as text in ``visit``; ``table`` then holds each container's last visit, which
    the verdict is about. ``absent``: declared depths at which the analyte has no result at all. ``shares``: of a one-sided
    margin the shares of the zones in their container, by container and in the order of ``depths``.
    """

    analyte: str
    unit: str
    margin: Margin
    table: pd.DataFrame
    visits: pd.DataFrame
    depths: tuple[str, ...]
    censored: int
    absent: tuple[str, ...] = ()
    shares: Mapping[str, np.ndarray] = field(default_factory=dict)

    @property
    def measured(self) -> pd.DataFrame:
        """Rows with a value (a copy)."""
        return self.table[self.table["qualifier"] == ""].copy()

    @property
    def share_censored(self) -> float:
        """Share of results known only as a limit."""
        return self.censored / len(self.table) if len(self.table) else 0.0

    @property
    def shown_unit(self) -> str:
        """Unit of a difference as reported: per cent on the log scale, else the analyte's unit."""
        return self.margin.unit

    def against(self, margin: Margin) -> ModelRows:
        """The same rows with another margin, on its scale; ValueError where per cent meets values not above zero."""
        if margin.side and not self.margin.side:
            raise single("margin", f"a one-sided margin needs the shares of the zones of {self.analyte}",
                         "declare it in study.toml", value=margin.text)
        values, all_values = (t["value"].where(t["qualifier"] == "") for t in (self.table, self.visits))
        if margin.scale == "log" and (all_values <= 0).any():
            raise ValueError(f"a margin in per cent or as a factor needs values above 0, but {self.analyte} has others")
        return replace(self, margin=margin, table=self.table.assign(y=margin.to_scale(values)),
                       visits=self.visits.assign(y=margin.to_scale(all_values)))

    @property
    def log(self) -> bool:
        """True where the analysis is on the natural-log scale."""
        return self.margin.log


def margin_of(study: Study, analyte: str) -> Margin:
    """The declared margin on its scale of analysis."""
    declared = study.analytes[analyte]
    return Margin.declared(declared.margin, declared.unit)


def margin_given(given: str | Mapping[str, float] | Margin, unit: str) -> Margin:
    """A margin from how people write it.

    As text ("50 %", "2 mg/kg", "a factor of 2") or as in study.toml ({"relative_percent": 50}, {"factor": 2},
    {"absolute": 2}). BadInput
    for a bare number, one that is not above 0, and a unit other than the analyte's.
    """
    if isinstance(given, Margin):
        return given
    if isinstance(given, Mapping):
        margin, faults = read_margin(given)
        if margin is None:
            raise BadInput(faults)
        if margin.side:
            return Margin.declared(DeclaredMargin.model_validate(dict(given)), unit)
        return margin if margin.log else Margin.absolute(margin.high, unit)
    declared, own = declared_margin(given)
    if own and own != unit:
        raise single("margin", f"this analyte is in {unit}", f"write '50 %' or '2 {unit}'", value=str(given))
    return Margin.declared(declared, unit)


def model_rows(study: Study, analyte: str, containers: pd.DataFrame, samples: pd.DataFrame,
               results: pd.DataFrame) -> ModelRows:
    """Join results to samples and containers; keep zone samples of stored containers of this analyte.

    Controls, composites, heel draws, blanks and check fluids stay out. ``depth`` is categorical
    in the study's order, the surface first. Age is that of the visit.
    """
    mine = results[results["analyte"] == analyte]
    joined = mine.merge(samples.drop(columns=["note"], errors="ignore"), on="sample", how="inner")
    joined = joined.merge(containers, on="container", how="inner", suffixes=("", "_container"))
    chosen = joined[joined["kind"].isin(ZONE_KINDS) & (joined["treatment"] == "stored")]
    chosen = chosen.assign(**visit_ages(chosen, study))
    table = chosen[[c for c in (*KEPT, *_declared(study)) if c in chosen]].copy()
    depths = tuple(d for d in study.factors.depths if d in set(table["depth"]))
    table["depth"] = pd.Categorical(table["depth"], categories=list(depths), ordered=False)
    margin = margin_of(study, analyte)
    clear = table["qualifier"] == ""
    table["y"] = margin.to_scale(table["value"].where(clear))
    table = table.sort_values(["container", "depth", "sample", "replicate"], ignore_index=True)
    latest = table.groupby("container")["visited_on"].transform("max")
    last = table[table["visited_on"].isna() | (table["visited_on"] == latest)].reset_index(drop=True)
    visits = table.assign(visit=table["visited_on"].dt.strftime("%Y-%m-%d").fillna(""))
    return ModelRows(analyte=analyte, unit=study.unit_of(analyte), margin=margin, table=last, visits=visits, depths=depths,
                     censored=int((last["qualifier"] != "").sum()),
                     absent=tuple(d for d in study.factors.depths if d not in depths),
                     shares=shares_of(study, chosen, containers, depths) if margin.side else {})


def shares_of(study: Study, drawn: pd.DataFrame, containers: pd.DataFrame, depths: Sequence[str]) -> dict[str, np.ndarray]:
    """Shares of the zones in each container, as ``massbalance.zone_shares`` weighs them; equal where heights are not known.

    ``drawn``: rows with container, depth, height and, where it was measured, density_kg_m3.
    """
    table = drawn.assign(density=drawn.get("density_kg_m3", np.nan))
    cells = table.groupby([table["container"].astype(str), table["depth"].astype(str)])[["height", "density"]].mean()
    facts = {str(r["container"]): r for r in containers.to_dict("records")}
    out = {}
    for container in cells.index.get_level_values(0).unique():
        mine = cells.loc[container].reindex(list(depths))
        height, density = (mine[c].to_numpy(dtype=float) for c in ("height", "density"))
        known = bool(np.isfinite(height).all()) and len(set(height)) == len(height)
        out[container] = zone_shares(study, facts[container], list(height), list(density))[0] if known else np.full(
            len(depths), 1 / len(depths))
    return out


def few_depths(rows: ModelRows) -> str:
    """That too few depths were measured, or only at the last visit, which the verdict is about; or limits are the reason."""
    if rows.censored and len(rows.depths) > 1:
        return (f"{rows.censored} of {len(rows.table)} results are known only as a limit, and numbers stand at fewer than two "
                "depths.")
    before = rows.visits.loc[rows.visits["qualifier"] == "", "depth"].nunique()
    if before < 2:
        return "Fewer than two depths were measured."
    last = max(rows.table["visited_on"].dropna())
    return (f"At the containers' last visits (the latest on {last:%Y-%m-%d}) fewer than two depths were measured, and the "
            "verdict is about those.")


def _declared(study: Study) -> list[str]:
    """Columns that enter the model beyond those that are always kept."""
    return [c for c in dict.fromkeys([*study.factors.fixed, *study.factors.random]) if c not in KEPT]


def cells_of(rows: ModelRows, factors: Sequence[str] = ()) -> CellBounds:
    """Container by depth cells on the scale of the margin, with the bounds of what is known only as a limit.

    ``factors``: those that act on depth; they become the columns of the linear model of a container's profile
    (levels, or months of age). ``groups`` is None without them, and where they leave fewer than two degrees of freedom.
    """
    table = rows.table
    containers, qualifier = list(dict.fromkeys(table["container"])), table["qualifier"].to_numpy()
    value, limit = table["value"].to_numpy(dtype=float), table["limit"].to_numpy(dtype=float)
    low = np.where(qualifier == "", value, np.where(qualifier == "<", np.minimum(limit, 0.0), limit))
    high = np.where(qualifier == "", value, np.where(qualifier == "<", limit, np.inf))
    return CellBounds.of_rows(
        pd.Categorical(table["container"], categories=containers).codes.astype(np.intp),
        table["depth"].cat.codes.to_numpy().astype(np.intp), low, high, shape=(len(containers), len(rows.depths)),
        margin=rows.margin, containers=containers, labels=rows.depths,
        groups=columns_of(table.drop_duplicates("container"), factors),
        weights=np.array([rows.shares[str(c)] for c in containers]) if rows.margin.side and containers else None)


def columns_of(info: pd.DataFrame, factors: Sequence[str]) -> np.ndarray | None:
    """Columns of the factors, an intercept first; None without factors or where too few containers would be left."""
    if not factors:
        return None
    parts = [np.ones((len(info), 1))]
    for name in factors:
        if pd.api.types.is_numeric_dtype(info[name]):
            parts.append((info[[name]] - info[name].mean()).to_numpy(dtype=float))
        else:
            parts.append(pd.get_dummies(info[name], drop_first=True).to_numpy(dtype=float))
    columns = np.hstack(parts)
    full = np.linalg.matrix_rank(columns) == columns.shape[1]
    return columns if full and len(info) - columns.shape[1] >= 2 else None


def zone_heights(rows: ModelRows) -> pd.Series:
    """Mean height of each depth's samples that gave numbers, of all of them where none did; by depth, NaN where not known."""
    numbers, every = (t.groupby("depth", observed=True)["height"].mean() for t in (rows.measured, rows.table))
    return numbers.reindex(list(rows.depths)).fillna(every.reindex(list(rows.depths)))


def heights_of(rows: ModelRows) -> np.ndarray | None:
    """Mean height of the depths, (k,); None where some are not known or two are the same."""
    heights = zone_heights(rows)
    return None if heights.isna().any() or heights.nunique() < len(heights) else heights.to_numpy(dtype=float)


def replicated(table: pd.DataFrame) -> bool:
    """True where some container and depth was determined more than once."""
    return bool((table.groupby(["container", "depth"], observed=True).size() > 1).any())


def random_terms(study: Study, table: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Random terms that these rows can carry, and a note for each that was left out."""
    terms, notes = ["container"], []
    if replicated(table):
        terms.append("container:depth")
    else:
        notes.append("No zone was determined twice, so the scatter between containers' profiles cannot be told "
                     "from the scatter of sampling and measurement; the residual holds both.")
    if study.factors.run:
        if table["run"].nunique() > 1 and (table["run"] != "").all():
            terms.append("run")
        else:
            notes.append("The lab run was asked for as a factor, but all rows have the same run or none is named.")
    for name in study.factors.random:
        few = table[name].nunique() < LEAST_RANDOM
        notes += [f"{name} was declared random, but {table[name].nunique()} levels are too few to be a sample of more: it was "
                  "left out."] if few else []
        terms += [] if few else [name]
    return tuple(terms), tuple(notes)


def fixed_terms(study: Study, table: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Fixed terms that these rows can carry (depth first, then the declared ones), and notes."""
    terms, notes = ["depth"], []
    for name in study.factors.fixed:
        alone = table.drop_duplicates("container")[name].value_counts()
        if not pd.api.types.is_numeric_dtype(table[name]) and len(alone) > 1 and (alone == 1).any():
            which = ", ".join(sorted(map(str, alone[alone == 1].index)))
            notes.append(f"{name}: {which} has one container only, so its scatter is borrowed from the others.")
        if table[name].nunique(dropna=True) < 2:
            notes.append(f"{name} has one value only in these rows and was left out.")
            continue
        terms.append(name)
        if name in study.factors.by_depth:
            terms.append(f"depth:{name}")
    return tuple(terms), tuple(notes)


def acting_on_depth(fixed: Sequence[str]) -> tuple[str, ...]:
    """The factors among fixed terms that interact with depth."""
    return tuple(t.removeprefix("depth:") for t in fixed if t.startswith("depth:"))


def container_contrasts(rows: ModelRows) -> pd.DataFrame:
    """One bottom-minus-top contrast a container (cell means), on the scale of analysis.

    Columns: container, lot, store, age_months, top, bottom, contrast, n (rows behind it). A
    container that misses one of the two depths has no contrast and is left out.
    """
    top, bottom = rows.depths[0], rows.depths[-1]
    cells = rows.measured.groupby(["container", "depth"], observed=True)["y"].agg(["mean", "size"])
    means, sizes = cells["mean"].unstack(), cells["size"].unstack()
    if top not in means or bottom not in means:
        return pd.DataFrame(columns=["container", "lot", "store", "age_months", "top", "bottom", "contrast", "n"])
    both = means[[top, bottom]].dropna()
    info = rows.table.drop_duplicates("container").set_index("container")
    out = pd.DataFrame({"container": both.index, "top": both[top].to_numpy(), "bottom": both[bottom].to_numpy()})
    for k, column in enumerate(("lot", "store", "age_months")):
        out.insert(1 + k, column, info[column].reindex(both.index).to_numpy())
    out["contrast"] = out["bottom"] - out["top"]
    out["n"] = sizes.loc[both.index, [top, bottom]].sum(axis=1).to_numpy()
    return out
