"""Containers that come after the lock: codes, draws, laboratory order and sheets of their own, and the reason in the lock.

What stands is not touched: lines are added to the plan's tables, the additions get runs and visits that follow on the
planned ones, and the sheets of the additions alone are printed into a folder of their own.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import math
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.change import change_files
from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import csv_text, json_text, read_json, write_bytes
from studykit.core.writer import away
from studykit.sampling.order import Plan
from studykit.sampling.plan import STOCK, codes_of_sisters, planned, used_codes
from studykit.sampling.sheets import all_sheets
from studykit.sampling.visits import visits_ahead
from studykit.study.codes import colliding_codes, generator
from studykit.study.columns import CONTAINERS, SAMPLES
from studykit.study.definition import DesignSettings, Study
from studykit.study.inventory import wanted_controls
from studykit.study.lock import amendment, open_changes, reason_faults
from studykit.study.seal import LOCK, read_lock, results_there, short
from studykit.study.tables import LINE, Tables, container_faults, load_tables, read_cells, type_cells

TITLE = "No container was added"
NOT_COPIED = ("container", "sampled_on", "age_months", "last_moved_on", "last_mixed_on", "temperature_c", "sister_of")
"""What a container does not share with one that it is like: what is known of it alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """Containers that were added: their names, the samples planned, the folder of sheets, and what to say about it."""

    containers: tuple[str, ...]
    codes: tuple[str, ...]
    sheets: str
    notes: tuple[str, ...]


def add_containers(root: Path, names: Sequence[str], *, reason: str, like: str = "", values: Mapping[str, str] | None = None,
                   sisters: Sequence[Path] = (), now: dt.datetime | None = None) -> Added:
    """Add containers to a locked plan, all files or none; what is known of them comes from plan/stock.csv or from ``like``.

    ``like``: a container of the plan whose lot, store, vessel, liquid and day of filling they share; ``values``: columns of
    plan/containers.csv with their cells, which go before both; ``sisters``: studies whose codes are in use.  BadInput, and
    nothing written: no lock, changes of the plan that no amendment holds, a reason that says nothing, names that are there
    already or could be taken for another, containers that cannot be drawn as study.toml says.
    """
    root, moment = Path(root), now or dt.datetime.now(dt.UTC)
    tables = load_tables(root, with_results=False)
    used = codes_of_sisters(root, sisters)
    number = _number(root, tables.study)
    table, cells = _new_rows(root, tables, names, like, values or {}, reason_faults(reason, "--reason"))
    avoid = (*tables.samples["sample"].astype(str), *used_codes(root), *_column(used, "sample"))
    stream = f"{tables.study.title} / {moment.isoformat(timespec='microseconds')} / added {number}"
    ahead, past = visits_ahead(_for_additions(tables, table, stream), moment.date())
    made = _following(root, planned(ahead, table, stream=stream, avoid=avoid,
                                    stores=tuple(tables.containers["store"].astype(str))))
    files = {**used, **_grown(root, made, cells, number, stream)}
    study = _checked(root, files)
    files[LOCK] = amendment(root, study, reason, files=files, of=("plan",), today=moment.date())
    folder = f"plan/sheets/added-{number}"
    files |= all_sheets(study, made, _seal_of(files[LOCK]), folder)
    late = ("results were already there: the report says so beside these containers",) if results_there(root) else ()
    change_files(root, files)
    return Added(containers=tuple(table["container"]), codes=tuple(made.samples["sample"]), sheets=folder,
                 notes=(*past, *made.warnings, *late))


def _number(root: Path, study: Study) -> int:
    """The number of the addition, from 1: that of the lock's next amendment. BadInput without a lock, or with open changes."""
    entries = read_lock(root)
    if not entries:
        raise single(LOCK, "the plan is not locked, so nothing need be added to it",
                     "list the containers in plan/containers.csv and plan again, or lock it first: studykit lock FOLDER")
    if any(c.name == "plan" for c in open_changes(root, study)):
        raise single(LOCK, "tables of the plan were changed since, and no reason for that is recorded yet",
                     'record it first: studykit lock FOLDER --of plan --amend "reason"')
    return len(entries)


def _new_rows(root: Path, tables: Tables, names: Sequence[str], like: str, values: Mapping[str, str], faults: list[Fault]
              ) -> tuple[pd.DataFrame, list[dict[str, str]]]:
    """The new lines of plan/containers.csv, typed and as cells; BadInput with every fault, ``faults`` among them."""
    old, _ = read_cells(root / CONTAINERS.file, CONTAINERS)
    known = _by_container(old)
    stock = _stock(root)
    faults = [*faults, *_name_faults(names, list(known), stock, like, values, old)]
    rows = []
    for name in names:
        base = stock.get(name) or {k: v for k, v in {**stock, **known}.get(like, {}).items() if k not in NOT_COPIED}
        if not base and not values.get("vessel"):
            faults.append(Fault(file="plan", value=name, reason=f"nothing is known of it: it does not stand in {STOCK}",
                                remedy="say which container it is like: --like CODE, or --set vessel=... and so on"))
        rows.append({**base, "container": name, **values})
    if "treatment" in old or any(r.get("treatment") for r in rows):
        rows = [{**r, "treatment": r.get("treatment") or "stored"} for r in rows]
    frame = pd.DataFrame(rows).fillna("").assign(**{LINE: range(len(old) + 2, len(old) + 2 + len(rows))})
    typed, more = type_cells(frame, CONTAINERS)
    faults += more
    if not more and "vessel" in typed:
        typed["treatment"] = typed["treatment"].replace("", "stored")
        faults += container_faults(typed, tables.study, sampled=False)
    if faults:
        raise BadInput(faults, title=TITLE)
    return typed, rows


def _stock(root: Path) -> dict[str, dict[str, str]]:
    """The lines of plan/stock.csv by container; none where there is no such file."""
    if not (root / STOCK).exists():
        return {}
    cells, faults = read_cells(root / STOCK, replace(CONTAINERS, file=STOCK))
    if faults:
        raise BadInput(faults, title=TITLE)
    return _by_container(cells)


def _by_container(cells: pd.DataFrame) -> dict[str, dict[str, str]]:
    """The cells of each line by its container, without the line's number."""
    rows = cells.drop(columns=LINE).astype(str).to_dict("records")
    return {str(r["container"]): {str(k): str(v) for k, v in r.items()} for r in rows}


def _name_faults(names: Sequence[str], known: list[str], stock: Mapping[str, object], like: str, values: Mapping[str, str],
                 old: pd.DataFrame) -> list[Fault]:
    """Names that are there already, stand twice or could be taken for another; an unknown ``like``; columns nobody has."""
    out = [Fault(file=CONTAINERS.file, column="container", value=n, reason="is in the plan already",
                 remedy="give the new container a name of its own") for n in names if n in known]
    out += [Fault(file="--add", value=n, reason="is named twice", remedy="name it once")
            for n in dict.fromkeys(names) if list(names).count(n) > 1]
    out += [replace(f, file=CONTAINERS.file, column="container") for f in colliding_codes([*known, *names])
            if set(f.value.split(" and ")) & set(names)]
    if like and like not in known and like not in stock:
        out.append(Fault(file="--like", value=like, reason="is not a container of the plan or of the stock list",
                         remedy="name one of plan/containers.csv"))
    columns = {*CONTAINERS.names, *map(str, old.columns)} - {"container", LINE}
    return out + [Fault(file="--set", value=c, reason="is not a column of plan/containers.csv",
                        remedy="columns are " + ", ".join(sorted(columns))) for c in values if c not in columns]


def _for_additions(tables: Tables, table: pd.DataFrame, stream: str) -> Study:
    """The study as the additions are planned: another random stream, duplicates in the planned share, new lots' retained."""
    study, samples, stored = tables.study, tables.samples, tables.containers["treatment"].isin(("stored", ""))
    share = (samples["kind"] == "duplicate").sum() / max(1, stored.sum())
    wanted = math.ceil(share * table["treatment"].isin(("stored", "")).sum())
    kept = set(samples.loc[samples["kind"] == "retained", "lot"]) if "lot" in samples else set()
    controls = [c for c in wanted_controls(study) if "control" not in c and c != "sister"
                and (c != "retained" or set(table["lot"]) - kept)]
    seed = int(generator(study.seed, stream).random() * 2**31)
    return study.model_copy(update={
        "seed": seed, "sampling": study.sampling.model_copy(update={"duplicates": wanted}),
        "design": (study.design or DesignSettings()).model_copy(update={"controls": tuple(controls)})})


def _following(root: Path, made: Plan) -> Plan:
    """The plan of the additions with runs and visits that follow on those of the plan."""
    runs = [str(r) for r in _texts(root, "plan/submission.csv").get("run", ())]
    last = max((int(r[1:]) for r in runs if r[1:].isdigit()), default=0)
    visits = max((int(v) for v in _texts(root, "plan/draws.csv").get("visit", ())), default=0)

    def moved(table: pd.DataFrame) -> pd.DataFrame:
        return table.assign(run=[f"R{int(r[1:]) + last}" for r in table["run"]])

    return replace(made, submission=moved(made.submission), key=moved(made.key),
                   draws=made.draws.assign(visit=made.draws["visit"] + visits))


def _texts(root: Path, name: str) -> pd.DataFrame:
    path = root / name
    return pd.read_csv(path, dtype=str, keep_default_na=False) if path.exists() else pd.DataFrame()


def _column(files: Mapping[str, bytes], name: str) -> list[str]:
    """A column of the only CSV among the files; empty without one."""
    return [v for data in files.values() for v in pd.read_csv(io.BytesIO(data), dtype=str, keep_default_na=False)[name]]


def _grown(root: Path, made: Plan, cells: list[dict[str, str]], number: int, stream: str) -> dict[str, bytes]:
    """The plan's tables with the lines of the additions."""
    frames = {"plan/draws.csv": made.draws.round(3), "plan/submission.csv": made.submission, "plan/key.csv": made.key,
              SAMPLES.file: made.samples}
    rows = {CONTAINERS.file: cells, **{name: list(csv.DictReader(io.StringIO(csv_text(f)))) for name, f in frames.items()}}
    out = {name: with_rows((root / name).read_bytes() if (root / name).exists() else b"", new) for name, new in rows.items()}
    about: dict[str, Any] = read_json(root / "plan/plan.json") if (root / "plan/plan.json").exists() else {}
    for key, more in (("containers", len(cells)), ("draws", len(made.draws)), ("samples", len(made.samples))):
        about[key] = about.get(key, 0) + more
    about["runs"] = sorted({*about.get("runs", []), *made.submission["run"]}, key=lambda r: (len(r), r))
    about["added"] = [*about.get("added", []),
                      {"number": number, "codes_from": stream, "containers": [c["container"] for c in cells]}]
    return {**out, "plan/plan.json": (json_text(about) + "\n").encode()}


def with_rows(data: bytes, rows: Sequence[Mapping[str, str]]) -> bytes:
    """A CSV file with further lines; what stood there stays byte for byte unless a column is new, which then is empty above."""
    text = data.decode("utf-8-sig")
    old = list(csv.reader(io.StringIO(text, newline="")))
    header = [h.strip() for h in old[0]] if old else []
    fresh = [c for c in dict.fromkeys(c for r in rows for c, v in r.items() if v != "" or not header) if c not in header]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n" if b"\r\n" in data else "\n")
    if fresh:
        writer.writerows([[*header, *fresh], *([*line, *[""] * len(fresh)] for line in old[1:] if any(line))])
        data = b""
    writer.writerows([[r.get(c, "") for c in (*header, *fresh)] for r in rows])
    joint = b"\n" if data and not data.endswith(b"\n") else b""
    return data + joint + out.getvalue().encode("utf-8")


def _checked(root: Path, files: Mapping[str, bytes]) -> Study:
    """The study as it will be, read from a copy; BadInput where the tables would have faults."""
    with away("studykit-change-") as folder:
        shutil.copyfile(root / "study.toml", folder / "study.toml")
        shutil.copytree(root / "plan", folder / "plan", ignore=shutil.ignore_patterns("sheets", "pages", "*.pdf"))
        for name, data in files.items():
            write_bytes(folder / name, data)
        return load_tables(folder, with_results=False).study


def _seal_of(lock: bytes) -> str:
    """The words for the sheets' footer: under which state of the lock they are printed."""
    entry = json.loads(lock)["entries"][-1]
    return f"added {entry['date']}, seal {short(entry['seal'])}"
