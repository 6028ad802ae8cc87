"""The record of controls as a page with charts, tables to keep, and what it would have the next study say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from studykit.core.files import together, write_csv, write_text
from studykit.core.plainpage import bullets, frame_table, heading, page, paragraph
from studykit.core.record import significant
from studykit.register.drawings import figure_html, outside
from studykit.register.fluid import OWN_MEAN
from studykit.register.laboratory import BOTH, DRAWING, MEASURING, RUNS, Record, record

if TYPE_CHECKING:
    from studykit.front import OpenStudy

TABLES = ("components", "readings", "budget", "bias")
PAGE, OFFER, LIMITS = "controls.html", "for-the-next-study.toml", "check_limits.csv"
ENOUGH = 8  # readings; own judgement: of eight the standard deviation is known within about a quarter
WIDTH = 3.0  # of the chart's limits, in standard deviations; 3 is common practice
HOW = ("Standard deviations by REML, nested: study, run in study, reading; for the stock zone, bottle, reading. Low and high "
       "hold at 95 % each. A component of few levels is hardly known: look at its upper limit before anything rests on it.")
CHART = ("Each reading of the check fluid less what it should read (or less the mean of all, where that is not known), in the "
         "order of the studies. Lines: the reference value where each study has one with its uncertainty, and 2 and 3 standard "
         "deviations of readings about the mean of their study with that uncertainty; else the mean of all readings and their "
         "standard deviation, and with all readings in them these limits judge the next ones, not these.")
NOT_READ = ("# Proposed from the record of controls. Nothing reads this file: copy what you agree with into study.toml.\n"
            "# An own scatter may be smaller than a published one because this laboratory is better, or because its controls\n"
            "# were not blind; the next study says which it was judged by.\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A record on disk: its page and what it found."""

    page: Path
    found: Record


def write_record(studies: Sequence[OpenStudy], to: Path) -> Kept:
    """Write the record of controls of these studies into the folder ``to``: page, tables, proposals for the next study.

    BadInput where none holds controls, where one is named twice, and where ``to`` lies inside one of them or cannot be written.
    """
    to = outside(to, (s.root for s in studies), "the studies", "write it elsewhere: studykit controls A B --to FOLDER")
    found = record(studies)
    with together(to) as made:
        for name in TABLES:
            write_csv(made / f"{name}.csv", getattr(found, name))
        write_csv(made / LIMITS, proposed_limits(found))
        write_text(made / OFFER, offer(found, studies))
        write_text(made / PAGE, _page(studies, found))
    return Kept(page=to / PAGE, found=found)


def proposed_limits(found: Record) -> pd.DataFrame:
    """Limits of the check fluid as in plan/check_limits.csv: three standard deviations on either side of what it should read;
    none from fewer than ``ENOUGH`` readings.

    A reference value that a study was given stays the value, with its uncertainty; the source tells the last study's own mean
    beside it. Where none was given the value is that mean, with the standard error that its runs leave.
    """
    rows = []
    for analyte, own in found.readings.groupby("analyte", sort=False):
        if len(own) < ENOUGH:
            continue
        last, given = own[own["study"] == own["study"].iloc[-1]], own[own["reference"].notna()]
        row = _of_reference(own, last, given.iloc[-1]) if len(given) else _of_own_mean(own, last)
        rows += [(analyte, *row)] if row[-2] > 0 and row[1] < 10 * row[0] else []  # wider ones would say nothing
    return pd.DataFrame(rows, columns=["analyte", "low", "high", "value", "uncertainty", "spread", "source"])


def _of_reference(own: pd.DataFrame, last: pd.DataFrame, given: pd.Series) -> tuple[Any, ...]:
    value, u, mean = float(given["reference"]), float(given["uncertainty"]), float(last["value"].mean())
    scale = value / 100 if given["departure_unit"] == "%" else 1.0
    within = own["departure"] - own.groupby("study")["departure"].transform("mean")
    s = float(np.sqrt((within**2).sum() / max(1, len(own) - own["study"].nunique()))) * scale
    half = WIDTH * float(np.hypot(s, u))
    bias = f"{100 * (mean / value - 1):+.2g} %" if value > 0 else f"{mean - value:+.2g} {given['unit']}"
    of = "" if given["study"] == last["study"].iloc[0] else f", as {given['study']} has it: is it the same fluid?"
    said = (f"{given['given_by']}{of}; this laboratory's own mean is {significant(mean, 4)} ({bias}, {len(last)} of {len(own)} "
            "readings)")
    return max(value - half, 0.0), value + half, value, u, s, said


def _of_own_mean(own: pd.DataFrame, last: pd.DataFrame) -> tuple[Any, ...]:
    mean, runs = float(last["value"].mean()), int(last["run"].nunique())
    s = float(own["departure"].std(ddof=1)) * (mean / 100 if own["departure_unit"].iloc[0] == "%" else 1.0)
    return (max(mean - WIDTH * s, 0.0), mean + WIDTH * s, mean, s / np.sqrt(runs), s,
            f"{OWN_MEAN} ({len(last)} of {len(own)} readings), no certified value")


def offer(found: Record, studies: Sequence[OpenStudy]) -> str:
    """Sections for the next study.toml, an own precision with its source; a text that nothing reads."""
    named = ", ".join(s.root.name for s in studies)
    return NOT_READ + "".join(_offered(found, analyte, named) for analyte in dict.fromkeys(found.components["analyte"]))


def _offered(found: Record, analyte: str, named: str) -> str:
    """The sections of one analyte; of measuring and drawing together where bottles were read once."""
    measuring, runs, drawing, both = (found.sd(analyte, c) for c in (MEASURING, RUNS, DRAWING, BOTH))
    own = found.components[(found.components["analyte"] == analyte)
                           & found.components["component"].isin([MEASURING] if measuring > 0 else [BOTH])]
    if own.empty:
        return f"\n# {analyte}: neither measuring nor drawing is known by itself.\n"
    first = own.iloc[0]
    unit, s_r = str(first["unit"]), significant(measuring if measuring > 0 else both, 3)
    said = _quoted(f"record of controls of {named}: {first['component']}, {first['readings']} readings, "
                   f"{significant(first['low'], 2)} to {significant(first['high'], 2)} {unit}")
    lines = [f"\n[design.guesses.{analyte}]", f"s_r = {s_r}", f"source = {said}"]
    if measuring > 0:
        key = "s_r_percent" if unit == "%" else "s_r"
        lines += [f"[analytes.{analyte}.repeatability]", f"{key} = {s_r}", f"source = {said}"]
    if np.isfinite(drawing):
        lines.append(f"# drawing scatters by {significant(drawing, 3)} {unit} more: sd_container_depth is no smaller")
    if np.isfinite(runs) and measuring > 0:
        within = significant(float(np.hypot(measuring, runs)), 3)
        lines.append(f"# measuring and runs together (intermediate precision): {within} {unit}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


# -- the page ----------------------------------------------------------------------------------------------------


def _page(studies: Sequence[OpenStudy], found: Record) -> str:
    return page("Controls of " + ", ".join(f"{s.study.title} ({s.root.name})" for s in studies), [
        heading("What scatters"), _shown(found, found.components), paragraph(HOW),
        heading("The check fluid, reading by reading"), picture(found), paragraph(CHART), _shown(found, _out(found.readings)),
        heading("Against the reference value"), _shown(found, found.bias),
        heading("Uncertainty budget"), _shown(found, found.budget),
        paragraph("u is the root of the sum of squares of what is known, U = 2 u. What is not known is empty and is not in it: "
                  "a budget without runs, or without drawing, is too small. What is known together with measuring only stands "
                  "under drawing, or under runs. A bias is not in it."),
        heading("What is taken for granted"), bullets(found.notes)])


def _out(readings: pd.DataFrame) -> pd.DataFrame:
    """The readings that break a general rule."""
    own = readings[readings["rules_broken"] != ""]
    return own[["analyte", "study", "run", "sample", "value", "unit", "rules_broken"]]


def _shown(found: Record, frame: pd.DataFrame) -> str:
    """A table with the analytes' names and numbers to three digits, empty where a number is not known."""
    named = frame.assign(analyte=frame["analyte"].map(found.names))
    return frame_table(named, [str(c).replace("_", " ") for c in named.columns])


def chart(found: Record) -> Figure | None:
    """A control chart for each analyte with a check fluid, one above the other; None where there is none."""
    parts = [(a, own) for a, own in found.readings.groupby("analyte", sort=False) if len(own) > 2]
    if not parts:
        return None
    figure = Figure(figsize=(7.5, 1.7 * len(parts) + 0.4), layout="constrained")
    axes = figure.subplots(len(parts), 1, squeeze=False)[:, 0]
    for ax, (analyte, own) in zip(axes, parts, strict=True):
        y, x = own["departure"].to_numpy(float), np.arange(1, len(own) + 1)
        line, s = float(own["line"].iloc[0]), float(own["spread"].iloc[0])
        for k in (-3, -2, 0, 2, 3):
            ax.axhline(line + k * s, color="0.3", linewidth=0.8, linestyle="-" if k == 0 else "--" if abs(k) == 3 else ":")
        for at in np.flatnonzero((own["study"] != own["study"].shift()).to_numpy())[1:]:
            ax.axvline(at + 0.5, color="0.6", linewidth=0.8)
        ax.plot(x, y, color="black", linewidth=0.6, marker="o", markersize=3)
        hit = (own["rules_broken"] != "").to_numpy()
        ax.plot(x[hit], y[hit], linestyle="", marker="o", markersize=9, markerfacecolor="none", markeredgecolor="black")
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_ylabel(f"{found.names[str(analyte)]}, {own['departure_unit'].iloc[0]}")
    axes[-1].set_xlabel("reading of the check fluid, in order; a ring: a general rule is broken; a line: the next study")
    return figure


def picture(found: Record) -> str:
    """The control charts as a picture with its words; nothing where no check fluid was read three times."""
    drawn = chart(found)
    return "" if drawn is None else figure_html(drawn, f"Control chart of each analyte. {'; '.join(_alt(found))}")


def _alt(found: Record) -> Iterator[str]:
    for analyte, own in found.readings.groupby("analyte", sort=False):
        broken = int((own["rules_broken"] != "").sum())
        yield f"{found.names[str(analyte)]}: {len(own)} readings, {broken} of them break a rule"


__all__ = ["Kept", "chart", "offer", "picture", "proposed_limits", "write_record"]
