"""Cases by seed: `make_case(seed)` draws kinds, `make_case(seed, ["two values, newline"])` makes that one."""

from __future__ import annotations

import json
import random
import sys
from pathlib import Path

from tests.intake.labfiles import (
    kinds_aside,
    kinds_cells,
    kinds_clerk,
    kinds_forms,
    kinds_layout,
    kinds_more,
    kinds_plain,
    kinds_reports,
    kinds_seen,
    kinds_sheets,
    kinds_slips,
)
from tests.intake.labfiles.build import SPREAD, STAGES, TEXT, Builder
from tests.intake.labfiles.model import Case
from tests.intake.labfiles.registry import KINDS, Kind

#: each registers its kinds when imported
REGISTERED = (kinds_aside, kinds_cells, kinds_clerk, kinds_forms, kinds_layout, kinds_more, kinds_plain, kinds_reports,
              kinds_seen, kinds_sheets, kinds_slips)


def draw_kinds(rng: random.Random) -> list[str]:
    """One kind, sometimes two or three that do not step on each other."""
    names = [rng.choice(sorted(KINDS))]
    for chance in (0.35, 0.15):
        if rng.random() < chance:
            other = rng.choice(sorted(KINDS))
            if other not in names and _fit([KINDS[n] for n in (*names, other)]):
                names.append(other)
    return names


def _fit(kinds: list[Kind]) -> bool:
    slots: list[str] = [s for k in kinds for s in k.slots]
    return len(slots) == len(set(slots)) and bool(_shared(kinds, "containers")) and bool(_shared(kinds, "layouts"))


def _shared(kinds: list[Kind], what: str) -> list[str]:
    sets = [getattr(k, what) for k in kinds]
    return [x for x in sets[0] if all(x in s for s in sets)]


def make_case(seed: int, names: list[str] | None = None) -> Case:
    """One case; the same seed and names give the same bytes."""
    rng = random.Random(seed * 7919 + 17)
    chosen = draw_kinds(rng) if names is None else list(names)
    kinds = [KINDS[n] for n in chosen]
    b = Builder(seed, chosen)
    containers = _shared(kinds, "containers")
    text = [c for c in containers if c in TEXT]
    spread = [c for c in containers if c in SPREAD]
    group = text if text and (not spread or rng.random() < 0.6) else spread
    style = b.style
    style.container = rng.choice(group)
    style.layout = rng.choices(
        _shared(kinds, "layouts"), [{"long": 4, "wide": 5, "wide-samples": 2}[x] for x in _shared(kinds, "layouts")]
    )[0]
    style.decimal = rng.choice(".,") if style.container in TEXT else "."
    style.delimiter = "\t" if style.container == "txt" else ";" if style.decimal == "," else rng.choice(",,;")
    place = {
        "long": ["column", "mapping"],
        "wide": ["header", "row", "mapping"],
        "wide-samples": ["column", "mapping"],
    }
    style.unit_place = rng.choice(place[style.layout])
    if style.layout != "wide-samples":
        style.meta = tuple(
            w for w, p in (("date", 0.4), ("run", 0.4), ("pos", 0.2), ("remark", 0.3)) if rng.random() < p
        )
    style.title_lines = rng.choice([0, 0, 0, 1, 2])
    style.footer = rng.random() < 0.15
    style.declare = {
        w
        for w, p in (
            ("decimal", 0.5),
            ("delimiter", 0.4),
            ("encoding", 0.3),
            ("header_row", 0.5),
            ("nominal", 0.6),
            ("star", 0.1),
            ("blank", 0.3),
        )
        if rng.random() < p
    }
    b.allow_xls = all({"xlsx", "ods"} <= set(k.containers) for k in kinds)
    b.want_scales = [s for k in kinds for s in k.scales]
    for k in kinds:
        if k.agree is False:
            b.whole_agree = False
    return b.run({stage: [k.apply for k in kinds if k.stage == stage] for stage in STAGES})


def study_toml(case: Case) -> str:
    """A study.toml that serves the case."""
    out = [
        'title = "Invented study"',
        'question = "Is it the same at every depth?"',
        'responsible = "a planner"',
        "invented = true",
        "",
        "[factors]",
        'depths = ["upper", "lower"]',
        "",
    ]
    for key, keys in case.study.items():
        out += [
            f"[analytes.{key}]",
            *(f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in keys.items() if k != "margin"),
            'method = "in-house"',
            f"margin = {keys.get('margin', '{ relative_percent = 5 }')}",
            'margin_reason = "invented reason"',
            "",
        ]
    out += ["[vessels.pail]", 'shape = "upright_cylinder"', "diameter_mm = 300", "height_mm = 400"]
    out += ["", "[fluid]", "density_kg_m3 = 900"]
    return "\n".join(out) + "\n"


def samples_csv(case: Case) -> str:
    """A plan/samples.csv that serves the case."""
    lines = ["sample,container,kind,depth,height,draw_order"]
    for i, code in enumerate(case.codes):
        cell = f'"{code}"' if "," in code else code
        lines.append(
            f"{cell},C{i // 2 + 1},spot,{'upper' if i % 2 == 0 else 'lower'},{0.8 if i % 2 == 0 else 0.2},{i % 2 + 1}"
        )
    return "\n".join(lines) + "\n"


def containers_csv(case: Case) -> str:
    """A plan/containers.csv that serves the case."""
    return "container,vessel,liquid_height_mm\n" + "".join(
        f"C{i + 1},pail,350\n" for i in range((len(case.codes) + 1) // 2)
    )


def write_study(case: Case, folder: Path) -> None:
    """The case as a study folder."""
    (folder / "raw").mkdir(parents=True, exist_ok=True)
    (folder / "plan").mkdir(exist_ok=True)
    for name, data in case.files.items():
        (folder / "raw" / name).write_bytes(data)
    (folder / "intake.toml").write_text(case.intake, encoding="utf-8")
    (folder / "study.toml").write_text(study_toml(case), encoding="utf-8")
    (folder / "plan" / "samples.csv").write_text(samples_csv(case), encoding="utf-8")
    (folder / "plan" / "containers.csv").write_text(containers_csv(case), encoding="utf-8")
    (folder / "case.json").write_text(json.dumps(case.to_dict(), ensure_ascii=False, indent=1), encoding="utf-8")


if __name__ == "__main__":  # python -m tests.intake.labfiles.generate FOLDER SEED [KIND ...]
    write_study(make_case(int(sys.argv[2]), sys.argv[3:] or None), Path(sys.argv[1]))
