"""The plan as a page: run the design and sampling notebooks, and write the plan tables and sheets."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from studykit.classroom import orders
from studykit.core.change import change_files
from studykit.core.errors import BadInput
from studykit.core.folders import exchange, rename, restore, unless_done
from studykit.core.writer import one_writer, refuse_unusual
from studykit.design.tables import confounded_words, design_faults, early_words
from studykit.report.kept import results_of_functions
from studykit.report.nursery import PLAN
from studykit.report.own import Choice, choose
from studykit.report.run import Say, check_parameters, page_beside, run_notebooks
from studykit.sampling.outlay import Outlay, barred_words, outlay
from studykit.sampling.plan import Filed, codes_of_sisters, draft, has_plan, plan
from studykit.study.actions import foreseen
from studykit.study.definition import Study, load_study
from studykit.study.seal import results_there
from studykit.study.tables import empty_tables, load_tables

PAGES = "plan/pages"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanMade:
    """A plan that was made: its page, the files written, and what to say about them."""

    page: Path
    files: tuple[str, ...]
    notes: tuple[str, ...]


def opening(root: Path) -> Outlay:
    """What the plan takes, before anything is written; BadInput with every fault that stops it."""
    study = load_study(root)
    refuse_unusual(root)
    orders.refuse_unsold(root, study)
    made, _ = draft(root, study)
    found = orders.with_delivered(root, study, made.samples, outlay(study, made.containers, made.samples))
    return replace(found, allowed=found.bottles) if has_plan(root) else found


def make_plan_pages(root: Path, say: Say, notebooks: Choice = "", bottles: int = 0, sisters: Sequence[Path] = ()) -> PlanMade:
    """Write plan/ (tables where there are none yet, sheets), run 01 and 02, and put their page in plan/pages.

    ``notebooks`` as of ``make_report``; ``bottles`` as of ``sampling.plan.plan``;
    ``sisters``: studies whose blind codes are declared as used.
    """
    study = load_study(root)
    refuse_unusual(root)
    folder = choose(root, notebooks, say)
    made, _ = draft(root, study)
    if faults := design_faults(replace(empty_tables(study, root), containers=made.containers)):
        raise BadInput(faults, title="The plan has faults")
    used = codes_of_sisters(root, sisters)
    with one_writer(root, "plan"):
        filed = _run(root, study, folder, say, bottles, used)
        exchange(root / f"{PAGES}.part", root / PAGES, root / f"{PAGES}.old")
    notes = (*filed.notes, *foreseen(study.safety, study.actions.items()),
             *barred_words(study, filed.plan.containers, filed.plan.samples),
             *confounded_words(study, filed.plan.containers, filed.plan.samples),
             *early_words(load_tables(root, with_results=False), results_there(root)))
    return PlanMade(page=root / PAGES / "plan.html", files=filed.files, notes=notes)


def _run(root: Path, study: Study, notebooks: Path, say: Say, bottles: int, used: Mapping[str, bytes]) -> Filed:
    """File the plan and make its page in plan/pages.part; where either fails, plan/ is as it was before."""
    part = root / f"{PAGES}.part"
    parameters = {"study": str(root.resolve()), "out_dir": str(part.resolve())}
    for stem in PLAN:
        check_parameters(notebooks / f"{stem}.ipynb", parameters)
    restore(root / PAGES, root / f"{PAGES}.old")
    shutil.rmtree(part, ignore_errors=True)
    with unless_done(root / "plan"):
        if used:
            change_files(root, used)
        filed = plan(root, study, bottles=bottles)
        with page_beside() as writer:
            runs = run_notebooks({s: notebooks / f"{s}.ipynb" for s in PLAN}, {s: part / s / f"{s}.ipynb" for s in PLAN},
                                 parameters, say, environment={} if notebooks.parent == root else results_of_functions())
        writer()(part, [r.notebook for r in runs], study)
        rename(part / "report.html", part / "plan.html")
    return filed
