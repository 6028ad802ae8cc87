"""``studykit plan``: from a stock list or a list of containers to the filed plan and its printed sheets.

What is written under plan/: containers.csv (if chosen from stock.csv), sisters.csv (if asked for),
samples.csv (codes; to be filled in at
the bench), draws.csv (the planned draws), submission.csv (what the laboratory sees), key.csv (what
the codes are: keep it away from the laboratory), bench.pdf, labels.pdf, custody.pdf, plan.json (seed, counts).
Everything is computed before the first file is written; samples.csv comes last, so a plan is whole or not there.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import csv_text, require_writable, write_bytes
from studykit.sampling.draws import DrawPlan, plan_draws
from studykit.sampling.order import (
    DRAW_COLUMNS,
    SUBMISSION_COLUMNS,
    Plan,
    liquid_mm,
    make_plan,
    plan_warnings,
    run_words,
)
from studykit.sampling.outlay import outlay, refuse_many
from studykit.sampling.sheets import all_sheets, label_faults
from studykit.sampling.visits import drawn_again
from studykit.study.ages import visit_days, was_drawn
from studykit.study.codes import colliding_codes
from studykit.study.columns import CONTAINERS, TableSpec
from studykit.study.definition import Study
from studykit.study.inventory import CONTROL_TREATMENTS, choose_containers, choose_sisters, control
from studykit.study.printed import PROFILE, changed, profile
from studykit.study.safety import Act
from studykit.study.seal import AMEND, GONE, LOCK, results_there, sealed_words, way_back
from studykit.study.tables import (
    LINE,
    listed_faults,
    load_tables,
    read_cells,
    scope_faults,
    type_cells,
    warmer_than_said,
)

T = TypeVar("T")
STOCK = "plan/stock.csv"
SISTERS = "plan/sisters.csv"
USED_CODES = "plan/used-codes.csv"
GENERATOR = "random.Random seeded with text, random() only (Mersenne Twister)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Filed:
    """A plan, whether it is new, the files written (paths in the study folder) and what to say about it."""

    plan: Plan
    new: bool
    files: tuple[str, ...]
    notes: tuple[str, ...]


def has_rows(path: Path) -> bool:
    """Whether a file has more than one line with anything in it: a header alone lists nothing."""
    return path.is_file() and sum(bool(line.strip()) for line in path.read_bytes().splitlines()) > 1


def has_plan(root: Path) -> bool:
    """Whether plan/samples.csv lists any sample."""
    return has_rows(root / "plan/samples.csv")


def _rows(root: Path, spec: TableSpec) -> pd.DataFrame | None:
    """A table of containers with its lines, typed and checked for itself; None where the file is missing or only a header."""
    if not has_rows(root / spec.file):
        return None
    cells, faults = read_cells(root / spec.file, spec)
    table, more = type_cells(cells, spec)
    faults = faults + more
    if not faults and table["container"].duplicated().any():
        twice = table[table["container"].duplicated()]
        faults = [Fault(file=spec.file, row=int(r[LINE]), column="container", value=r["container"],
                        reason="occurs twice", remedy="give each container its own code")
                  for r in twice.to_dict("records")]
    if faults:
        raise BadInput(faults, title="The plan has faults")
    return table


def _listed(study: Study, table: pd.DataFrame, file: str, others: Sequence[str] = ()) -> list[Fault]:
    """What is wrong with listed containers, whichever list it is, and what [safety] bars of what is planned for them."""
    return list(dict.fromkeys([*listed_faults(table, study, file, others), *_barred(study, table, file)]))


def new_plan(root: Path, study: Study) -> tuple[Plan, pd.DataFrame | None]:
    """A plan from plan/containers.csv or, without it, from plan/stock.csv (second value then the stock).

    Nothing is written.
    BadInput where neither lists a container, or the containers cannot be drawn as study.toml says.
    """
    containers, used = _rows(root, CONTAINERS), used_codes(root)
    if containers is not None:
        containers["treatment"] = containers["treatment"].replace("", "stored")
        stored = int((containers["treatment"] == "stored").sum())
        faults = [*_listed(study, containers, CONTAINERS.file), *scope_faults(study, stored)]
        return _made(study, lambda: make_plan(study, containers.drop(columns=LINE), avoid=used), faults), None
    stock = _rows(root, replace(CONTAINERS, file=STOCK))
    if stock is None:
        raise single(CONTAINERS.file, "there is no list of containers to plan with",
                     "list the chosen ones there, or the whole stock in plan/stock.csv (same columns)")
    stock["treatment"] = stock["treatment"].replace("", "stored")
    if twins := colliding_codes(stock["container"].astype(str)):
        raise BadInput([replace(f, file=STOCK, column="container") for f in twins], title="The plan has faults")
    lines = dict(zip(stock["container"], stock[LINE], strict=True))
    faults = [*_listed(study, stock, STOCK), *scope_faults(study, study.design.containers if study.design else 1)]
    stock = stock.drop(columns=LINE)
    try:
        return _made(study, lambda: make_plan(study, choose_containers(stock, study), avoid=used), faults), stock
    except BadInput as error:
        raise _in_the_stock(error, lines) from None


def planned(study: Study, table: pd.DataFrame, *, stream: str, avoid: Sequence[str], stores: Sequence[str] = ()) -> Plan:
    """The plan of further containers (a typed table with its lines); BadInput with every fault, as of ``new_plan``.

    ``stores``: those of the containers that are in the plan already.
    """
    faults = _listed(study, table, CONTAINERS.file, stores)
    return _made(study, lambda: make_plan(study, table.drop(columns=LINE), stream=stream, avoid=avoid), faults)


def _made(study: Study, make: Callable[[], Plan], faults: list[Fault]) -> Plan:
    """The plan, or BadInput with the faults found before and those of making it."""
    unknown = any(f.column == "vessel" for f in faults)
    try:
        made = None if unknown else make()
    except BadInput as error:
        raise BadInput([*faults, *error.faults], title="The plan has faults") from None
    faults = [*faults, *(_floor_depths(study, made) if made else [])]
    if made is None or faults:
        raise BadInput(faults, title="The plan has faults")
    return made


def _floor_depths(study: Study, made: Plan) -> list[Fault]:
    """A fault where a depth lies on the floor and [safety] does not clear draws there."""
    gap, reasons = study.sampling.floor_gap_mm, study.safety.bars("heel draw", keys=True)
    names = dict.fromkeys(d.depth for p in made.draw_plans for d in p.draws if d.depth != "heel" and d.on_floor(gap))
    return [Fault(file="study.toml", column="safety", value=name, reason="this depth is drawn at the floor, but [safety] does "
                  "not clear that: " + "; ".join(reasons), remedy="answer it from the safety data sheet, or draw that "
                  "depth higher (sampling.zones)") for name in names if reasons]


def _in_the_stock(error: BadInput, lines: Mapping[str, int]) -> BadInput:
    """Faults of chosen containers with file and line of the stock list, which is what the person wrote.

    A container whose line is told with its own fault is not named again.
    """
    told = {f.row for f in error.faults if f.file == STOCK}
    own = [f for f in error.faults if f.file == STOCK]
    others = [replace(f, file=STOCK, row=int(lines[f.value])) if f.value in lines else f for f in error.faults if f not in own]
    return BadInput([*own, *(f for f in others if f.file != STOCK or f.row not in told)], title=error.title)


def _barred(study: Study, table: pd.DataFrame, file: str) -> list[Fault]:
    """A fault for everything that the plan asks for and the section safety of study.toml does not clear."""
    settings = study.sampling
    remixed = control(study, "remixed control") or bool((table["treatment"] == "remixed control").any())
    asked: tuple[tuple[bool, Act, str, str], ...] = (
        (settings.heel, "heel draw", "sampling.heel asks for a draw at the floor", "set sampling.heel = false"),
        (settings.residue, "stirring", "sampling.residue asks to stir what is left", "set sampling.residue = false"),
        (remixed, "stirring", "a remixed control is to be mixed", "take it out of [design] controls and the containers"),
    )
    warm = warmer_than_said(table, replace(CONTAINERS, file=file), study)
    return warm + [Fault(file="study.toml", column="safety", reason=f"{what}, but [safety] does not clear it: "
                  + "; ".join(study.safety.bars(act, keys=True)), remedy=f"answer it from the safety data sheet, or {way}")
            for wanted, act, what, way in asked if wanted and study.safety.bars(act)]


def existing_plan(root: Path, study: Study) -> Plan:
    """The plan of a study that already has samples: its own codes and draws, no submission order.

    Containers whose liquid height is not known have no draw plan; a warning says so.
    """
    tables = load_tables(root, with_results=False)
    samples = tables.samples
    days = visit_days(samples)
    plans, notes, of, known = list[DrawPlan](), list[str](), dict[str, list[DrawPlan]](), dict[tuple[object, ...], DrawPlan]()
    drawn = dict(iter(samples.groupby([samples["container"], days], sort=False)))
    for day in sorted(set(days)):
        for row in _by_visit(root, tables.containers).to_dict("records"):
            before = of.setdefault(str(row["container"]), [])
            try:
                made = _planned_again(study, row, drawn.get((row["container"], day), samples[:0]), before, day, known)
                plans += made
                before += made
            except BadInput as error:
                notes.append(f"container {row['container']} has no draw plan: {error.faults[0].reason}")
    columns = [*DRAW_COLUMNS, *(["visited_on"] if (days != "").any() else [])]
    draws = pd.DataFrame(columns=columns)
    if plans:
        draws = pd.DataFrame([{**row, "visit": i, "visited_on": p.day} for i, p in enumerate(plans, start=1)
                              for row in p.rows()])
        draws = draws.rename(columns={"order": "draw_order", "keep_ml": "volume_ml"})
        draws["sample"] = _codes_of(draws, samples.assign(visited_on=days))
    submission = filed_submission(root)
    key = samples[["sample", "container", "kind", "depth", "draw_order"]].assign(pair="", visited_on=days)
    key = key.merge(submission[["sample", "run", "position"]], on="sample", how="left")
    for column, least in (("run", ""), ("position", 0)):
        filled = [least if pd.isna(v) else v for v in key[column]]
        key[column] = pd.Series(filled, index=key.index, dtype=key[column].dtype)
    texts = plan_warnings(study, tables.containers, tuple(plans), heel=bool((tables.samples["kind"] == "heel").any()))
    return Plan(containers=tables.containers, samples=samples, draws=draws[columns], submission=submission, key=key,
                draw_plans=tuple(plans), seed=study.seed,
                warnings=(*texts, *drawn_again(study, tuple(plans)), *run_words(key), *notes))


def _planned_again(study: Study, row: Mapping[Hashable, Any], own: pd.DataFrame, before: list[DrawPlan],
                   day: str, known: dict[tuple[object, ...], DrawPlan]) -> list[DrawPlan]:  # fmt: skip
    """The draw plan of one container at one visit, from its samples; none where it has none there.

    ``known``: plans made so far; of containers filled alike and drawn alike one serves all.
    """
    kinds = own["kind"].tolist()
    counts = Counter(d for d, kind in zip(own["depth"], kinds, strict=True) if kind in ("spot", "duplicate"))
    repeats = {d: counts[d] for d in study.factors.depths}
    depths = [d for d in study.factors.depths if repeats[d]]
    if not depths:
        return []
    heel, residue = "heel" in kinds, "composite" in kinds
    level = liquid_mm(study, row["vessel"], row["liquid_height_mm"], row["fill_volume_l"])
    vessel = study.vessels[row["vessel"]]
    if before:
        level = float(vessel.height_mm(before[-1].left_l))
    key = (row["vessel"], level, tuple(repeats.items()), heel, residue)
    if key not in known:
        settings = study.sampling.model_copy(update={"heel": heel, "residue": residue})
        known[key] = plan_draws(vessel, level, depths, settings, container=str(row["container"]), vessel_name=row["vessel"],
                                draws_at=repeats)
    return [replace(known[key], container=str(row["container"]), day=day)]


def _by_visit(root: Path, containers: pd.DataFrame) -> pd.DataFrame:
    """The containers in the order of the visits of plan/draws.csv; those it does not name last, in table order."""
    names = filed(root, "plan/draws.csv", lambda t: t["container"])
    if names is None:
        return containers
    visits = {c: i for i, c in enumerate(dict.fromkeys(names))}
    order = containers["container"].map(lambda c: visits.get(c, len(visits)))
    return containers.loc[order.sort_values(kind="stable").index]


def filed(root: Path, name: str, read: Callable[[pd.DataFrame], T], remedy: str = "put it back from your copy") -> T | None:
    """What ``read`` finds in a table that the kit wrote, cells as text; None without one; BadInput where it finds nothing."""
    if not (root / name).exists():
        return None
    try:
        return read(pd.read_csv(root / name, dtype=str, keep_default_na=False))
    except (KeyError, ValueError) as error:
        raise single(name, f"is not as the kit wrote it ({error})", remedy) from None


def filed_submission(root: Path) -> pd.DataFrame:
    """plan/submission.csv as it was filed; no rows where there is none."""
    columns = list(SUBMISSION_COLUMNS)
    table = filed(root, "plan/submission.csv", lambda t: t[columns].astype({"position": int, "volume_ml": float}))
    return pd.DataFrame(columns=columns) if table is None else table


def _codes_of(draws: pd.DataFrame, samples: pd.DataFrame) -> list[str]:
    """The code of every draw: by container, kind and depth (heel and residue by kind alone), in draw order."""
    def place(r: Mapping[Hashable, Any]) -> tuple[str, str, str, str]:
        return r["container"], r["visited_on"], r["kind"], "" if r["kind"] in ("heel", "composite") else r["depth"]

    left: dict[tuple[str, str, str, str], list[str]] = {}
    for r in samples.sort_values("draw_order", kind="stable").to_dict("records"):
        left.setdefault(place(r), []).append(r["sample"])
    return [codes.pop(0) if (codes := left.get(place(r), [])) else "" for r in draws.to_dict("records")]


def _sisters(study: Study, made: Plan, stock: pd.DataFrame | None) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """plan/sisters.csv where [design] controls ask for sister containers, and what to say about it."""
    if not control(study, "sister"):
        return {}, ()
    if stock is None:
        return {}, (f"the design asks for sister containers: without {STOCK} choose them yourself, same lot, store and age",)
    table = choose_sisters(stock, made.containers)
    missing = int((made.containers["treatment"] == "stored").sum()) - len(table)
    notes: tuple[str, ...] = ()
    if len(table):
        notes = (f"leave these {len(table)} sister containers shut until a later visit: {SISTERS}",)
    if missing:
        notes += (f"{missing} containers have no sister in {STOCK} (same lot, store and vessel)",)
    return ({SISTERS: _csv(table)} if len(table) else {}), notes


def _tables(plan: Plan, from_stock: bool) -> dict[str, bytes]:
    """The plan's tables by path, samples.csv last."""
    about = {"seed": plan.seed, "generator": GENERATOR,
             "containers": len(plan.containers), "draws": len(plan.draws),
             "samples": len(plan.samples), "runs": sorted(set(plan.submission["run"])),
             "chosen_from": STOCK if from_stock else CONTAINERS.file}
    frames = {"plan/draws.csv": plan.draws.round(3),
              "plan/key.csv": plan.key, "plan/submission.csv": plan.submission}
    if from_stock:
        frames = {CONTAINERS.file: plan.containers.drop(columns="age_months"), **frames}
    out = {name: _csv(frame) for name, frame in frames.items()}
    out["plan/plan.json"] = (json.dumps(about, indent=2, sort_keys=True) + "\n").encode()
    out["plan/samples.csv"] = _csv(plan.samples)
    return out


def _csv(frame: pd.DataFrame) -> bytes:
    return csv_text(frame).encode("utf-8")


def draft(root: Path, study: Study) -> tuple[Plan, pd.DataFrame | None]:
    """The plan that ``plan`` would file or keep, and the stock where it chose from one; nothing is written.

    BadInput: no containers, containers that cannot be drawn as planned, a locked plan whose tables would change.
    """
    if has_plan(root):
        made = existing_plan(root, study)
        if not made.draw_plans:
            raise single(CONTAINERS.file, "no container can be drawn: " + "; ".join(made.warnings or ["no depths"]),
                         "fill in liquid_height_mm or fill_volume_l")
        return made, None
    if (root / LOCK).exists():
        raise single("plan/samples.csv", GONE, way_back(root))
    return new_plan(root, study)


def used_codes(root: Path) -> tuple[str, ...]:
    """The blind codes of other studies that plan/used-codes.csv declares; none where there is no such file."""
    return filed(root, USED_CODES, lambda t: tuple(t["sample"]), "remove it, then name the studies again with --sister") or ()


def codes_of_sisters(root: Path, sisters: Sequence[Path]) -> dict[str, bytes]:
    """plan/used-codes.csv with the codes of further studies; nothing to write without any. BadInput: no samples there."""
    if not sisters:
        return {}
    known = filed(root, USED_CODES, lambda t: t[["sample", "study"]], "remove it, then name the studies again with --sister")
    tables = [] if known is None else [known]
    for other in sisters:
        found = load_tables(other, with_results=False)
        if found.samples.empty:
            raise single(str(other), "has no samples whose codes could be in use", "name a study that was planned")
        tables.append(pd.DataFrame({"sample": found.samples["sample"].astype(str)}).assign(study=found.study.title))
    return {USED_CODES: _csv(pd.concat(tables, ignore_index=True).drop_duplicates("sample"))}


def plan_faults(root: Path, study: Study) -> list[Fault]:
    """Everything that ``plan`` would refuse without an option, its sheets included; nothing is written."""
    faults = label_faults(study)
    try:
        made, _ = draft(Path(root), study)
    except BadInput as error:
        return [*error.faults, *faults]
    many = None if has_plan(Path(root)) else outlay(study, made.containers, made.samples).fault()
    return [*faults, *([many] if many else [])]


def plan(root: Path, study: Study, *, bottles: int = 0) -> Filed:
    """Plan a study and write plan/; for a study that already has samples only its sheets are made again.

    ``bottles``: as many bottles are accepted, where [design] max_bottles allows fewer.  BadInput, and nothing
    written: as of ``draft``, more bottles than allowed and accepted, a folder that cannot be written.
    """
    root = Path(root)
    made, stock = draft(root, study)
    if has_plan(root):
        return _file(root, study, made, {}, new=False)
    refuse_many(outlay(study, made.containers, made.samples), bottles)
    sisters, notes = _sisters(study, made, stock)
    return _file(root, study, made, {**sisters, **_tables(made, stock is not None)}, new=True,
                 notes=(*_as_listed(root, study, made, stock), *notes))


def _as_listed(root: Path, study: Study, made: Plan, stock: pd.DataFrame | None) -> tuple[str, ...]:
    """A word where plan/containers.csv lists another number than [design] asks for, and there is a stock to choose from."""
    stored = int((~made.containers["treatment"].isin(CONTROL_TREATMENTS)).sum())
    wanted = study.design.containers if study.design else stored
    if stock is not None or stored == wanted or not (root / STOCK).is_file():
        return ()
    return (f"{CONTAINERS.file} lists {stored} containers and was followed, though [design] containers = {wanted}: to have "
            f"them chosen from {STOCK} anew, remove it and plan/samples.csv, and plan again",)


def plan_or_read(root: Path, study: Study) -> Plan:
    """For the notebook: the plan of a study that has samples, unchanged; else a new plan, which is filed."""
    return existing_plan(Path(root), study) if has_plan(Path(root)) else plan(root, study).plan


def _file(root: Path, study: Study, made: Plan, tables: dict[str, bytes], *, new: bool,
          notes: tuple[str, ...] = ()) -> Filed:
    """Render everything, then write everything."""
    void = changed(root, study)
    sheets = {**all_sheets(study, made, sealed_words(root)), PROFILE: profile(study)}
    require_writable(root / "plan")
    files = {**sheets, **tables}
    for name, data in files.items():
        write_bytes(root / name, data)
    said = [*made.warnings, *notes]
    if not new:
        said.insert(0, "this study already has samples: its tables were left as they are, its sheets made again")
        said.insert(1, _anew(root, bool(was_drawn(made.samples).any())))
    if void:
        said.insert(0, f"[safety] was changed since the sheets were printed ({'; '.join(void)}): the old ones are void, take "
                       "them from everybody who has them")
    return Filed(plan=made, new=new, files=tuple(files), notes=tuple(said))


def _anew(root: Path, drawn: bool) -> str:
    """Whether a study that has samples may be planned anew, and how; else how a change is made."""
    if drawn or results_there(root) or (root / "orders/delivered.json").exists():
        what = "samples were drawn" if drawn else "results are there, or an order was delivered"
        return f"{what}: what is drawn is drawn, so leave plan/samples.csv; a change of the plan is recorded: {AMEND}"
    locked = (root / LOCK).exists()
    files = f"plan/samples.csv{f' and {LOCK}' if locked else ''}"
    return (f"nothing was drawn yet: to plan anew, remove {files} first, and {CONTAINERS.file} too where others are to be "
            f"chosen from {STOCK}" + f"; a change that keeps the lock is recorded: {AMEND}" * locked)
