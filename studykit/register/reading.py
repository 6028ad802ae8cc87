"""One study as the register keeps it: what it is, what it found of each analyte, its own differences, repeats and controls.

The words are those of the filed report where it is as it was filed; else they are worked out from the tables that lie there,
and the state says so. Beside the pair of depths on which a word hangs stands the lowest depth against the uppermost: the
same question in every study, which can be put together over studies where the widest pair, being chosen, can not.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from studykit.core.errors import StudyKitError, single
from studykit.core.files import read_csv
from studykit.core.hashes import unusual
from studykit.front import OpenStudy
from studykit.front import open as opened
from studykit.inference import Margin
from studykit.inference.own import known
from studykit.model.rows import ModelRows, cells_of, model_rows, zone_heights
from studykit.register.entry import CHANGED, EMPTY, FILED, UNFILED, UNREADABLE, Entry
from studykit.register.fluid import rows_of, should_read
from studykit.register.places import size_of
from studykit.register.repeats import repeats_of
from studykit.report.verify import LARGEST, MOST_FILES, verify
from studykit.study.seal import read_lock
from studykit.study.spans import TIMES, on_margin

VERDICTS = "report/06-verdict/verdicts.csv"
READ = ("study.toml", "plan", "tidy", "report")
"""What is opened of a study; none of it may be a link, a pipe or a device."""
LEVEL = 0.95
FEWEST, SKETCH = 20, 64
"""Results from which a part of them in common is told from chance, and digests that are kept of them (own judgement)."""


def read_study(folder: Path, study: str) -> Entry:
    """The entry of one study; what keeps it from being read is told in its state, and raises nothing."""
    root = folder / study
    try:
        _looked_at(root)
        return _read(root, study)
    except StudyKitError as error:
        faults = getattr(error, "faults", ())
        told = f"{faults[0].line()}{f' (and {len(faults) - 1} more: studykit check)' if len(faults) > 1 else ''}" if faults \
            else str(error).splitlines()[0]
    except (OSError, ValueError, ArithmeticError, KeyError, TypeError, RecursionError) as error:
        told = f"{type(error).__name__}: {str(error).splitlines()[0] if str(error) else 'no more is known'}"
    return Entry(study=study, state=UNREADABLE, told=told, head={})


def _looked_at(root: Path) -> None:
    """BadInput where what will be opened is no ordinary file, or too much."""
    number, size = size_of(root)
    if number > MOST_FILES or size > LARGEST:
        raise single(root.name, f"holds {number} files and {size} bytes; no study is so large", "look at what it is")
    if odd := [f"{p} is a {kind}" for p, kind in unusual(root) if p.split("/")[0] in READ]:
        raise single(root.name, f"{odd[0]}, which is not opened", "put an ordinary file in its place")


def _read(root: Path, study: str) -> Entry:
    locked = read_lock(root)
    marks = [f"seal {locked[0]['seal']}"] if locked else []
    if not (root / "tidy/results.csv").exists():
        return Entry(study=study, state=EMPTY, told="no results were taken in yet", head=_bare(root, locked))
    table = opened(root)
    if table.results.empty:
        return Entry(study=study, state=EMPTY, told="tidy/results.csv has no rows", head=_head(table, locked))
    state, told = _state(root)
    results, samples = table.usable(), table.samples
    models = {a: model_rows(table.study, a, table.containers, samples, results) for a in table.analytes}
    words = _filed_words(root) if state == FILED else None
    words = words if words is not None and set(words) == set(table.analytes) else _own_words(table)
    return Entry(study=study, state=state, told=told, head=_head(table, locked), marks=(*marks, *_marks(table.results)),
                 rows=tuple({**_declared(table, a), **words[a], **_outermost(table, models[a])} for a in table.analytes),
                 repeats=tuple(r for a in table.analytes for r in repeats_of(a, results, samples, models[a].margin)),
                 controls=tuple(r for a in table.analytes for r in _controls(table, a, models[a].margin)))


def _bare(root: Path, locked: list[dict[str, Any]]) -> dict[str, Any]:
    """What is known of a study without results, of which the definition must hold."""
    from studykit.study.definition import load_study

    found = load_study(root)
    return {"title": found.title, "responsible": found.responsible, "date": "", "invented": found.invented, "lots": [],
            "vessels": [], "seal": locked[-1]["seal"] if locked else "", "locked": locked[0]["date"] if locked else ""}


def _head(table: OpenStudy, locked: list[dict[str, Any]]) -> dict[str, Any]:
    own = table.containers
    stored = own[own["treatment"].fillna("").isin(["", "stored"])] if "treatment" in own else own
    lots = sorted({str(v) for v in stored["lot"].dropna() if v}) if "lot" in stored else []
    days = [own["sampled_on"].max() if "sampled_on" in own else pd.NaT,
            table.results["reported_on"].max() if "reported_on" in table.results else pd.NaT]
    day = next((d for d in days if pd.notna(d)), None)
    return {"title": table.study.title, "responsible": table.study.responsible, "invented": table.study.invented,
            "date": "" if day is None else f"{pd.Timestamp(day):%Y-%m-%d}", "lots": lots,
            "vessels": sorted({str(v) for v in stored["vessel"].dropna()}),
            "seal": locked[-1]["seal"] if locked else "", "locked": locked[0]["date"] if locked else ""}


def _state(root: Path) -> tuple[str, str]:
    """Whether the report is filed and the folder is still as it was then."""
    if not (root / "report/manifest.json").exists():
        return UNFILED, "no report is filed: its words are worked out from its tables"
    try:
        found = verify(root).differences
    except StudyKitError as error:
        faults = getattr(error, "faults", ())
        return CHANGED, f"its manifest cannot be read: {faults[0].line() if faults else str(error).splitlines()[0]}"
    if not found:
        return FILED, ""
    named = ", ".join(str(d["what"]) for d in found[:4])
    more = f" and {len(found) - 4} more" if len(found) > 4 else ""
    return CHANGED, f"not as it was filed ({named}{more}): its words are worked out from what lies there now"


def _filed_words(root: Path) -> dict[str, dict[str, Any]] | None:
    """What the filed report says of each analyte; None where it has no such table."""
    if not (root / VERDICTS).is_file():
        return None
    table = read_csv(root / VERDICTS, dtype={"analyte": str}, keep_default_na=False)
    return {str(r["analyte"]): _word(r) for r in table.to_dict("records")}


def _own_words(table: OpenStudy) -> dict[str, dict[str, Any]]:
    """The same, worked out from the tables; what does that is loaded where it is needed."""
    from studykit.model import fit_all
    from studykit.verdict import judge_all

    found = judge_all(table, fit_all(table)).to_table()
    return {str(r["analyte"]): _word(r) for r in found.to_dict("records")}


def _word(row: dict[Any, Any]) -> dict[str, Any]:
    stock = row["stock"] if isinstance(row["stock"], str) and row["stock"] else ""
    on_average = str(row["verdict"])
    final = on_average if not stock or on_average == "stratified" else stock
    told, unit, margin = {c: _number(row[c]) for c in ("difference", "low", "high")}, _text(row["unit"]), str(row["margin"])
    if on_margin(0.0, unit, margin)[1] == TIMES:
        told, unit = {c: None if x is None else on_margin(x, unit, margin)[0] for c, x in told.items()}, TIMES
    return {"word": final, "on average": on_average, "margin": margin, "pair": _text(row["deciding pair"]), **told,
            "unit": unit, "level, %": _number(row["level, %"])}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _number(value: object) -> float | None:
    """A cell as a finite number, else None."""
    try:
        found = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return found if math.isfinite(found) else None


def _declared(table: OpenStudy, analyte: str) -> dict[str, Any]:
    """What the study declared of an analyte."""
    own = table.study.analytes[analyte]
    margin = Margin.declared(own.margin, own.unit)
    return {"analyte": analyte, "name": own.label or analyte, "decides": table.study.decides(analyte), "method": own.method,
            "method_key": own.method_key, "analyte unit": own.unit, "scale": margin.scale, "side": margin.side,
            "margin low": _number(margin.low), "margin high": _number(margin.high), "margin unit": margin.unit}


def _outermost(table: OpenStudy, rows: ModelRows) -> dict[str, Any]:
    """The lowest depth against the uppermost in each stored container, on the scale of the margin, and why not where not.

    ``own``: the containers' differences; ``outer …``: their mean as told with a 95 % t interval, and in units of the margin.
    """
    depths = table.study.factors.depths
    ages = rows.table.drop_duplicates("container")["age_months"].dropna() if len(rows.table) else pd.Series(dtype=float)
    out: dict[str, Any] = {"containers": int(rows.measured["container"].nunique()), "own": [], "why not": "",
                           "lowest": depths[-1], "uppermost": depths[0], "heights": [], "outer": None, "outer low": None,
                           "outer high": None, "age from": _number(ages.min()), "age to": _number(ages.max())}
    if len(rows.depths) < 2 or {depths[0], depths[-1]} - set(rows.depths):
        return out | {"why not": "not measured at both the lowest and the uppermost depth"}
    cells = cells_of(rows)
    ends = known(cells)[:, [0, -1]]
    exact = np.isfinite(ends).all(axis=1) & (cells.low == cells.high)[:, [0, -1]].all(axis=1)
    heights = zone_heights(rows)
    out["heights"] = [_number(heights[d]) for d in (depths[-1], depths[0])]
    if not exact.all():
        lost = int((~exact).sum())
        out["why not"] = f"lost, or known only as a limit, in {lost} of {len(exact)} containers"
    own = ends[exact, 1] - ends[exact, 0]
    return out | {"own": own.tolist()} | _spanned(own, rows.margin)


def _spanned(own: np.ndarray, margin: Margin) -> dict[str, Any]:
    """Mean of the containers' own differences as told, with a t interval where two containers have one."""
    if not len(own):
        return {}
    mean = float(own.mean())

    def shown(x: float) -> float:
        return on_margin(margin.shown(x), margin.unit, margin.text)[0]

    told: dict[str, Any] = {"outer": shown(mean)}
    if len(own) > 1:
        half = float(special.stdtrit(len(own) - 1, (1 + LEVEL) / 2) * own.std(ddof=1) / math.sqrt(len(own)))
        told |= {"outer low": shown(mean - half), "outer high": shown(mean + half)}
    return told


def _marks(results: pd.DataFrame) -> list[str]:
    """What folders with the same results share, whatever else was edited in them; nothing of a few results alone.

    ``results``: of all of them, and without the codes of bottles. ``row``: the lowest of the digests of single results, of
    which two folders share about as large a part as of their results (Broder 1997, Compression and Complexity of Sequences).
    """
    own = results[["analyte", "sample", "replicate", "qualifier", "value"]].astype(str)
    own = own.sort_values(["analyte", "sample", "replicate"])
    if len(own) < FEWEST:
        return [f"results {_digest(map(str, own.itertuples(index=False, name=None)))}"] if len(own) > 2 else []
    bare = own[["analyte", "qualifier", "value"]].sort_values(["analyte", "value"])
    rows = sorted(_digest([str(r)])[:16] for r in own.itertuples(index=False, name=None))
    return [f"results {_digest(map(str, bare.itertuples(index=False, name=None)))}", *(f"row {r}" for r in rows[:SKETCH])]


def _digest(texts: Iterable[str]) -> str:
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()


def _controls(table: OpenStudy, analyte: str, margin: Margin) -> Iterator[dict[str, Any]]:
    """Readings of the check fluid on the scale of the margin, with what it should read."""
    rows = rows_of(table, analyte, margin)
    rows = rows[rows["kind"] == "check fluid"]
    if rows.empty:
        return
    should = should_read(table, analyte)
    told = {"analyte": analyte, "centre": _number(should["centre"]), "certain": bool(should["certain"]),
            "uncertainty": _number(should["uncertainty"]), "given by": str(should["given_by"])}
    for run, y in zip(rows["run"].astype(str), rows["y"].to_numpy(float), strict=True):
        yield {**told, "run": run, "y": float(y)}
