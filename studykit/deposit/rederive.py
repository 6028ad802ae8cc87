"""``rederive.R`` for one study: the kit's script (templates/rederive.R) with the constants that this study declared.

It works every verdict interval but those of one-sided margins out anew in plain R, from the rows that the kit lists, each
held against the tidy table.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.files import read_csv, safe_name
from studykit.inference.departures import MIXED
from studykit.study.definition import Study
from studykit.study.stages import HERE

TEMPLATE = HERE / "templates/rederive.R"
MARK = "#: constants of the study\n"


def text(value: str) -> str:
    """A text as R writes it, in ASCII."""
    out = "".join(c if 32 <= ord(c) < 127 and c not in '"\\' else f"\\u{ord(c):04x}" if ord(c) < 65536 else f"\\U{ord(c):08x}"
                  for c in value)
    return f'"{out}"'


def texts(values: tuple[str, ...]) -> str:
    """Texts as an R vector."""
    return f"c({', '.join(map(text, values))})" if values else "character(0)"


def script(root: Path, study: Study) -> str:
    """The script for a filed study."""
    lines = [f"alpha <- {study.alpha!r}", f"depths <- {texts(study.factors.depths)}", "analytes <- list("]
    entries = [f"  list({', '.join(f'{k} = {v}' for k, v in _constants(root, study, a).items())})" for a in study.analytes]
    return TEMPLATE.read_text(encoding="utf-8").replace(MARK, "\n".join([*lines, ",\n".join(entries), ")\n"]), 1)


def _constants(root: Path, study: Study, analyte: str) -> dict[str, str]:
    """What the script has to know of one analyte, as R writes it."""
    model, verdict = root / "report/05-model", root / "report/06-verdict"
    fit, found = _row(model / "fits.csv", analyte), _row(verdict / "verdicts.csv", analyte)
    formula = str(fit.get("model in R's notation", ""))
    fixed = tuple(t.strip() for t in formula.partition("~")[2].split("+") if t.strip() and "|" not in t)
    acting = tuple(t.removeprefix("depth:") for t in fixed if t.startswith("depth:")) if formula else study.factors.by_depth
    own = study.factors.columns
    known, margin = _row(verdict / "known-precision.csv", analyte), study.analytes[analyte].margin
    return {"key": text(analyte), "file": text(safe_name(analyte)), "road": text(_road(model, fit, found)),
            "log": str(margin.relative).upper(), "ratio": str(margin.factor is not None).upper(),
            "margin": repr(margin.percent or margin.absolute),
            "s": str(known.get("s") or "NA"), "by_depth": texts(acting),
            "numeric": texts(tuple(f for f in acting if f in own and own[f].unit)),
            "structure": text(study.factors.across_depths)}


def _road(model: Path, fit: dict[str, Any], found: dict[str, Any]) -> str:
    """How the verdict interval was found: 'many' containers, a 'declared' scatter, 'one' container, one 'side', or 'none'."""
    if not found.get("deciding pair"):
        return "none"
    if str(found["deciding pair"]).endswith(f" - {MIXED}"):
        return "side"
    if fit.get("path") == "known precision":
        return "one"
    decides = str(_row(model / "structures.csv", str(fit["analyte"])).get("decides", ""))
    return "declared" if decides.endswith("(declared)") else "many"


def _row(path: Path, analyte: str) -> dict[str, Any]:
    """The first row of an analyte in a table of the report, cells as text; empty where there is none."""
    table = read_csv(path, dtype=str, keep_default_na=False) if path.stat().st_size > 2 else pd.DataFrame()
    rows = table[table["analyte"] == analyte].to_dict("records") if "analyte" in table else []
    return {str(k): v for k, v in rows[0].items()} if rows else {}
