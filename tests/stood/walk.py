"""Runs an invented study through everything that the model and verdict chapters ask, figures and files aside."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import tempfile
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from types import FunctionType
from typing import Any

from studykit.model import diagnostics
from studykit.model.fit import FittedModel
from studykit.model.stated import single_results
from studykit.model.tables import fit_all
from studykit.verdict import cleared, expected, floors, grid, particles, pouring, stated, uses
from studykit.verdict import tables as verdict_tables
from studykit.verdict.tables import judge_all
from tests.stood.direct import DIRECT
from tests.stood.recorded import CALLED, NOTED, ROOT, Record, noted
from tests.stood.studies import KINDS, stage_of

FOLDERS: Mapping[str, tuple[str, ...]] = {
    "verdict": ("uneven", *(k for k in KINDS if k != "uneven")),
    "inference": ("tables", "chances", "within bounds", "many containers", "lost cells", "single of many", "settled", "below",
                  "limits", "uneven", "five", "coarse", "above", "aged", "few", "one", "one limited"),
    "mixed": ("fits", "many fits", "settled", "five"),
    "model": ("two", "settled", "below", "limits", "five", "coarse", "all limits", "one limited", "aged", "above")}
"""The studies and calls of each folder, the quick ones first."""
SEARCHED = ("likelihood.", "blocks.", "woodbury.", "slopes.", "batch/newton.", "batch/chain.", "batch/taylor.", "batch/strata.")
"""Modules called in turn by the kit's own searches, which may take a step more elsewhere: their first call alone is noted."""
DRAWN = ("figure", "plot", "save", "panel")


def _modules(folder: str) -> Iterator[Any]:
    for path in sorted((ROOT / "studykit" / folder).glob("[a-z]*.py")):
        yield importlib.import_module(f"studykit.{folder}.{path.stem}")


def _asked(call: Callable[..., Any], **given: Any) -> Any:
    """The result of a call, None where it refuses what it is given, or is not meant for it."""
    try:
        return call(**given)
    except Exception:
        return None


def _rest(folder: str, given: Mapping[str, Any]) -> None:
    """Every public function of a folder that nothing has called so far and whose arguments have names that are given."""
    called = set(CALLED)
    _by_name(folder, {}, given, called)
    for m in given["models"]:
        _by_name(folder, given, {"model": m, "rows": m.rows, "analyte": m.analyte}, called)


def _by_name(folder: str, given: Mapping[str, Any], own: Mapping[str, Any], called: set[str]) -> None:
    """Those whose arguments are given, at least one of them in ``own``."""
    for module in _modules(folder):
        for name, function in sorted(vars(module).items()):
            mine = type(function) is FunctionType and not name.startswith("_") and function.__module__ == module.__name__
            if not mine or f"{module.__name__.rpartition('.')[2]}.{name}" in called:
                continue
            needed = [p.name for p in inspect.signature(function).parameters.values() if p.default is p.empty]
            if set(needed) & set(own) and set(needed) <= {*given, *own} and not any(w in name for w in DRAWN):
                _asked(function, **{n: own.get(n, given.get(n)) for n in needed})


def _of(thing: Any) -> None:
    """Every public property of a result, and every method that needs nothing further."""
    for name in sorted(n for n in dir(type(thing)) if not n.startswith("_") and not any(w in n for w in DRAWN)):
        value = _asked(partial(getattr, thing, name))
        if callable(value) and all(p.default is not p.empty for p in inspect.signature(value).parameters.values()):
            _asked(value)


def _of_models(stage: Any, given: Mapping[str, Any]) -> None:
    """What the model chapter asks."""
    models = given["models"]
    for m in models:
        _of(m), _of(m.rows)
    table = diagnostics.residuals(models)
    if len(table):
        checks = diagnostics.residual_checks(table)
        diagnostics.least_normal(table, checks), diagnostics.most_uneven(table, checks)
    left_out = diagnostics.influences(models)
    diagnostics.influence_table(models, left_out), diagnostics.influence_words(left_out), diagnostics.closest(models, left_out)
    [diagnostics.influence_rows(left_out, a, models) for a in left_out]
    _rest("model", given)


def _of_inference(study: Any, models: list[Any], outcome: Any) -> None:
    """What models and verdicts hold of comparisons, cells, shares and single containers."""
    for alone in single_results(study, models).values():
        _of(alone) if not isinstance(alone, str) else None
    for m in models:
        _of(m.rows.margin)
        if isinstance(m, FittedModel):
            for comparison in (m.pairs, m.departures):
                _of(comparison), _of(comparison.deciding), _of(comparison.tests[0])
            _of(m.cells), m.verdict("8 %" if m.rows.log else "3 mg/kg")
    for v in outcome.analytes:
        [_of(getattr(v, part)) for part in ("stock", "decided", "result") if dataclasses.is_dataclass(getattr(v, part, None))]


def _of_verdict(stage: Any, given: Mapping[str, Any]) -> None:
    """What the verdict chapter asks."""
    models, outcome = given["models"], given["outcome"]
    _of(outcome), [_of(v) for v in outcome.analytes]
    names, words, drawn = stage.study.labels, outcome.told_words(), floors.each(stage, models)
    by_use = uses.uses(stage, models, outcome, drawn)
    for f in (uses.vetoing, uses.unseen, uses.floors_beyond, uses.shown):
        f(by_use)
    uses.against(by_use, names), uses.of_floors(by_use, names), uses.action(stage, outcome, by_use)
    [f(r) for r in by_use.to_dict("records") for f in (uses.said, uses.between)]
    each = cleared.words(stage, models, floors.beyond(stage, models, drawn))
    within = cleared.within(stage, models, each)
    cleared.count_words(within), cleared.shown(within), cleared.litres_told(cleared.litres_by_group(stage, each))
    grid.counts(each), grid.rows_of(each), grid.alt(each, stage.study)
    found = expected.expectations(stage, models) if stage.study.fluid else ()
    expected.shown(expected.table_of(found)), expected.alt(found), expected.summary(found)
    out = particles.ruled_out(stage, models) if stage.study.fluid else ()
    particles.shown(particles.table_of(out, outcome)), particles.told(stage, out, models), particles.curves(out)
    pouring.not_told(stage, models, outcome.final_words(), pouring.pouring(stage, models, outcome.final_words()))
    stated.single_shown(stage.study, stated.single_table(stage.study, models))
    stated.arithmetic_shown(stage.study, stated.arithmetic_table(stage.study, models))
    verdict_tables.margin_alt(verdict_tables.in_margins(outcome), names, words)
    verdict_tables.evidence_shown(outcome.evidence()), verdict_tables.record_verdict(stage, outcome, by_use, models)
    _rest("verdict", given)


def _through(stage: Any, folder: str) -> None:
    """Fit, judge, and ask what belongs to a folder."""
    models = fit_all(stage)
    given = {"stage": stage, "study": stage.study, "models": models, "containers": stage.containers,
             "samples": stage.samples, "results": stage.results}
    if folder == "mixed":
        [_of(m) for m in models]
        return
    if folder == "model":
        _of_models(stage, given)
        return
    outcome = judge_all(stage, models)
    if folder == "inference":
        _of_inference(stage.study, models, outcome)
    else:
        _of_verdict(stage, given | {"outcome": outcome, "words": outcome.final_words()})


def record(folder: str, name: str) -> Record:
    """What the public functions of a folder give for one of the invented studies, or for the calls of that name."""
    if name in DIRECT:
        return noted(DIRECT[name], folder, lambda call: range(2 if call.startswith(SEARCHED) else 16))
    with tempfile.TemporaryDirectory() as root:
        stage = stage_of(Path(root) / "s", name)
        return noted(lambda: _through(stage, folder), folder, lambda call: range(2) if call.startswith(SEARCHED) else NOTED)
