"""What the sampling notebook shows: zones, draws, orders and lock as tables with units, and the drawn vessel."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

from studykit.sampling.draws import SOURCE, STANDARD_WORDS, WHERE
from studykit.sampling.order import Plan
from studykit.sampling.sheets import answer_rows
from studykit.sampling.sketch import vessel_figure
from studykit.study.cautions import markdown
from studykit.study.definition import Study
from studykit.study.lock import LockStatus


def cautions(study: Study) -> str:
    """Every caution that applies to the study's safety profile, as a list."""
    return markdown("", study.safety)


def safety_table(study: Study) -> pd.DataFrame:
    """The answers of the safety section, and what the kit may therefore plan or advise."""
    return pd.DataFrame(answer_rows(study), columns=["asked", "answer"])


def zone_table(plan: Plan) -> pd.DataFrame:
    """The zones of one container of each vessel: place of the tip, bounds (mm), volume (L), share of the content."""
    rows, seen = [], set()
    for p in plan.draw_plans:
        if p.vessel not in seen:
            seen.add(p.vessel)
            rows += [(p.vessel, p.container, z.label, z.where, z.tip_mm, z.bottom_mm, z.top_mm, z.volume_l,
                      100 * z.share) for z in p.zones]
    return pd.DataFrame(rows, columns=["vessel", "container", "depth", "sampling position", "tip, mm above the floor",
                                       "zone from, mm", "zone to, mm", "volume, L", "share, %"])


def place_source(study: Study) -> str:
    """Where the places of the depths come from, in one sentence."""
    if study.sampling.vessel_zones:
        return "The places are those of study.toml, section sampling: some vessels have their own."
    if study.sampling.zones:
        return "The places are those of study.toml, section sampling."
    if all(d in STANDARD_WORDS for d in study.factors.depths):
        words = "; ".join(f"{d}: {WHERE[d]}" for d in study.factors.depths)
        return f"The words and places are those of the sampling standards ({SOURCE}): {words}."
    return "The places are the middles of equal slices of the liquid height."


def draw_table(plan: Plan) -> pd.DataFrame:
    """The draws of the first container: tip (mm), purge, keep and discard (mL), level before and after (mm)."""
    columns = {"order": "no.", "kind": "kind", "depth": "depth", "tip_mm": "tip, mm above the floor",
               "below_surface_mm": "below the first surface, mm", "purge_ml": "purge, mL", "keep_ml": "keep, mL",
               "discard_ml": "then discard, mL", "drawn_bottom_mm": "drawn from, mm", "drawn_top_mm": "drawn to, mm",
               "level_before_mm": "level before, mm", "level_after_mm": "level after, mm",
               "foreign_ml": "from other zones, mL"}
    if not plan.draw_plans:
        return pd.DataFrame(columns=list(columns.values()))
    table = plan.draw_plans[0].to_table()
    return table[list(columns)].rename(columns=columns).round(2)


def container_table(plan: Plan) -> pd.DataFrame:
    """One row a container: visit, samples, run where known, liquid height (mm), content and what is left (L)."""
    names = {"liquid_height_mm": "liquid height, mm", "content_l": "content, L", "left_l": "left after the draws, L"}
    table = plan.to_table()
    if (table["run"] == "").all():
        table = table.drop(columns="run")
    return table.rename(columns=names)


def kind_table(plan: Plan) -> pd.DataFrame:
    """Samples by kind and depth."""
    counts = plan.samples.groupby(["kind", "depth"], dropna=False, sort=False).size()
    return counts.reset_index(name="samples")


def run_table(plan: Plan) -> pd.DataFrame:
    """Laboratory runs of the submission list: bottles and whole containers in each; no rows without a list."""
    merged = plan.submission.merge(plan.samples[["sample", "container"]], on="sample", how="left")
    rows = [(run, len(part), part.loc[part["container"].fillna("") != "", "container"].nunique())
            for run, part in merged.groupby("run", sort=False)]
    return pd.DataFrame(rows, columns=["run", "bottles", "containers"])


def warning_table(plan: Plan) -> pd.DataFrame:
    """Warnings about the plan, one row each."""
    return pd.DataFrame({"to think about": list(plan.warnings) or ["nothing to say against this plan"]})


def notice_table(status: LockStatus) -> pd.DataFrame:
    """Sentences for the first page of the report: late or missing lock, changed margins or model."""
    return pd.DataFrame({"notice": list(status.first_page)})


def picture(study: Study, plan: Plan) -> Figure:
    """The first container drawn to scale; a figure that says so where no liquid height is known."""
    if plan.draw_plans:
        first = plan.draw_plans[0]
        return vessel_figure(study.vessels[first.vessel], first)
    figure = Figure(figsize=(6.4, 1.0))
    figure.text(0.02, 0.5, "no container has a known liquid height")
    return figure


def picture_alt(plan: Plan) -> str:
    """Alt text of the picture, with its numbers."""
    if not plan.draw_plans:
        return "No container with a known liquid height, so nothing is drawn."
    first = plan.draw_plans[0]
    tips = "; ".join(f"{z.label} {z.tip_mm:.0f} mm" for z in first.zones)
    return (f"Container {first.container}, vessel {first.vessel}, drawn to scale with liquid to "
            f"{first.liquid_height_mm:.0f} mm; tips above the floor: {tips}.")
