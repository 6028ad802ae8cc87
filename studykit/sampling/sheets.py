"""Printed sheets: bench sheet per container, bottle labels, list for the laboratory, chain of custody.

PDF is made by typst from the templates in ``studykit/templates``.  All text of the user reaches typst as JSON,
never as source, so that ``#`` or ``$`` in a title prints as itself.  Fonts come with typst; the same plan gives
the same bytes.  QR codes hold the blind code and nothing else.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.sampling.draws import DrawPlan
from studykit.sampling.order import Plan
from studykit.study.cautions import cautions, lines
from studykit.study.definition import Study
from studykit.study.safety import BELOW_FLASH_C, CHARGES_BELOW_PS_M, HOT_C, REST_MINUTES, Act
from studykit.study.stages import HERE

LABEL_INSET_MM = 2.0
NOT_LOCKED = "plan not locked"
ANSWERS = {"data_sheet": "safety data sheet", "flash_point_c": "flash point, °C",
           "liquid_up_to_c": "liquid at most, °C", "conductivity_ps_m": "conductivity, pS/m",
           "vessel_material": "container of", "pressure_or_gas": "pressure or gas", "free_water": "free water",
           "toxic_or_corrosive": "toxic or corrosive", "permit": "opened under", "mixing_procedure": "mixed by"}
HAZARDS = ("data_sheet", "flash_point_c", "pressure_or_gas", "free_water", "toxic_or_corrosive")
OWN_LIMITS = (f"{BELOW_FLASH_C:g} °C below the flash point, {CHARGES_BELOW_PS_M:g} pS/m, {REST_MINUTES[True]} min of rest, "
              f"{HOT_C:g} °C: the kit's own, from memory of standards. Data sheet, law and site come first.")
# a QR code of version 1 has 21 modules and a border of 4 on each side: 29 modules; below 0.35 mm a module
# hand-held readers begin to fail (common practice, no source)
SMALLEST_QR_MM = 29 * 0.35
FIRST = {False: 9, True: 7}  # draws on a container's first page, by whether more than three lines say STOP
DRAWING_MM = {False: 80.0, True: 71.0}  # room for its drawing, by whether it has more than seven draws
DIPPED_MM = 2.0  # smallest fall of the level that is told, mm (common practice, no source)
FROM_RIM = {False: "From the rim: as long as no neck or bung ring stands above it.",
            True: "From the rim: for an opening at the highest point only."}
ZIP_DATE = (1980, 1, 1, 0, 0, 0)


def render(template: str, data: Mapping[str, Any], files: Mapping[str, bytes] | None = None) -> bytes:
    """PDF bytes of one template filled with ``data`` (and further files such as QR pictures)."""
    import typst

    folder = HERE / "templates"
    source = {"main": (folder / f"{template}.typ").read_bytes(), "common.typ": (folder / "common.typ").read_bytes(),
              "data.json": json.dumps(data, ensure_ascii=False, allow_nan=False).encode("utf-8")}
    compiled: Any = typst.compile({**source, **(files or {})})  # type: ignore[call-overload]
    return bytes(compiled)


def _common(study: Study, what: str, sealed: str) -> dict[str, Any]:
    """Title, language and footer of every sheet; ``sealed`` says under which lock it was printed."""
    invented = " (invented example)" if study.invented else ""
    return {"title": study.title, "study": study.title + invented, "lang": study.language[:2],
            "foot": f"{what} · {study.title}{invented} · responsible: {study.responsible} · {sealed}"}


def _mm(value: float) -> str:
    return f"{value:.0f}" if value >= 20 else f"{value:.1f}"


def bench_pdf(study: Study, plan: Plan, sealed: str = NOT_LOCKED) -> bytes:
    """A page of cautions and answers to sign, then one page a container in the order of the visits.

    A container's page holds the drawing to scale, draws, fields and the cautions for the bench; a last page lists the
    bottles that come from no container (blanks, check fluids).
    """
    codes = {(r["container"], r.get("visited_on", ""), int(r["draw_order"])): str(r["sample"])
             for r in plan.draws.to_dict("records")}
    about = {r["container"]: r for r in plan.containers.to_dict("records")}
    pages = [_bench_page(study, p, codes, about[p.container], turn_words(plan, p)) for p in plan.draw_plans]
    runs = dict(zip(plan.key["sample"], plan.key["run"], strict=True))
    controls = [{"sample": str(r["sample"]), "kind": f"{r['kind']} {r.get('lot', '')}".strip(), "run": runs[r["sample"]],
                 "keep": f"{study.sampling.draw_ml:g}"}
                for r in plan.samples.to_dict("records") if r["container"] == ""]
    return render("bench", {**_common(study, "bench sheet", sealed), "pages": pages, "front": _front(study),
                            "cautions": [parted(c.text) for c in cautions("bottle", study.safety)],
                            "steps": lines("steps", study.safety), "controls": controls,
                            "control_steps": lines("controls", study.safety),
                            "dip": "liquid height, dipped last, mm" if study.safety.clears("heel draw") else
                            "liquid height: do not dip"})


def parted(text: str) -> list[list[Any]]:
    """A text as pieces with whether each is bold, from its Markdown marks."""
    return [[piece, i % 2 == 1] for i, piece in enumerate(text.split("**")) if piece]


def _front(study: Study) -> dict[str, Any]:
    """The first page: answers of the safety section, what is barred and why, every caution that applies."""
    answers = [[a, b] for a, b in answer_rows(study)]
    return {"answers": answers, "cautions": [parted(c.text) for c in cautions("", study.safety)]}


def answer_rows(study: Study) -> list[tuple[str, str]]:
    """The safety section in words: every answer, then what the kit may plan, on which condition, or why not."""
    s = study.safety
    rows = [(label, s.shown(key)) for key, label in ANSWERS.items()]
    acts: tuple[Act, ...] = ("heel draw", "stirring")
    rows += [(act, f"BARRED: {'; '.join(s.bars(act))}" if s.bars(act) else "cleared, provided: " + "; ".join(
        (*lines("cleared", s), *lines(f"cleared {act}", s)))) for act in acts]
    return [*rows, ("limits behind this", OWN_LIMITS)]


def hazards(study: Study) -> str:
    """What the safety section says of the liquid, for those who receive the bottles."""
    told = "; ".join(f"{ANSWERS[key]}: {study.safety.shown(key)}" for key in HAZARDS)
    return f"Hazards as far as we know them: {told}. What is unknown counts as the worse."


def turn_words(plan: Plan, one: DrawPlan) -> str:
    """Which container of the round this is: of a planned day, that day and its own count."""
    turns = plan.draws.drop_duplicates("visit")
    today = turns[turns["visited_on"] == one.day] if one.day else turns
    number = 1 + sorted(today["visit"].astype(int)).index(int(today.loc[today["container"] == one.container, "visit"].iloc[0]))
    return f"{one.day}, container {number} of {len(today)}" if one.day else f"visit {number} of {len(today)}"


def _bench_page(study: Study, plan: DrawPlan, codes: Mapping[tuple[str, str, int], str], about: Mapping[Hashable, Any],
                turn: str) -> dict[str, Any]:
    from studykit.sampling.sketch import draw_vessel

    vessel = study.vessels[plan.vessel]
    discards = any(d.discard_ml for d in plan.draws)
    long = max(len(d.depth) for d in plan.draws) > 12
    drawing = draw_vessel(vessel, plan, width=84.0 if long else 92.0 if discards else 104.0,
                          height=DRAWING_MM[len(plan.draws) > 7])
    seen = {d.depth for d in plan.draws}
    barred = _barred_draws(study, plan)
    floor = "heel" if "heel" in seen or barred - {"residue"} else "no heel"
    wanted = ["look", floor, *["residue"] * ("residue" in seen), "cake"]
    sediment = [text for part in wanted for text in lines(part, study.safety)]
    lot_store = [f"{name} {about[name]}" for name in ("lot", "store") if str(about[name])]
    if about["treatment"] not in ("", "stored"):
        lot_store.append(str(about["treatment"]))
    shares = ", ".join(f"{z.label} {z.tip_mm / plan.liquid_height_mm:.2f}" for z in plan.zones
                       if z.tip_mm > study.sampling.floor_gap_mm)
    rim = vessel.total_height_mm - plan.liquid_height_mm
    lies = vessel.posture == "lying" or about.get("orientation", "") in ("lying", "inverted")
    stop = (*lines("stop", study.safety.at(plan.vessel)), *lines("lying", study.safety) * lies)
    notes = [*lines(str(about["treatment"]), study.safety), *plan.warnings]
    rows = [
        {"order": d.order, "sample": codes[(plan.container, plan.day, d.order)], "depth": d.depth,
         "tip": "barred" if d.depth in barred else "mixed" if d.depth == "residue" else _mm(d.tip_mm),
         "below": "" if d.depth == "residue" else _mm(d.below_surface_mm),
         "rim": "" if d.depth == "residue" or d.depth in barred else _mm(vessel.total_height_mm - d.tip_mm),
         "purge": f"{d.purge_ml:g}", "keep": f"{d.keep_ml:g}", "discard": f"{d.discard_ml:g}" if d.discard_ml else "–"}
        for d in plan.draws
    ]
    return {"container": plan.container, "place": ", ".join(lot_store), "visit": turn,
            "vessel": plan.vessel,
            "content": f"{plan.content_l:.0f}" if plan.content_l >= 100 else f"{plan.content_l:.3g}",
            "liquid": f"{plan.liquid_height_mm:.0f}",
            "scale": f"{drawing.scale:g}", "drawing": asdict(drawing), "draws": rows,
            "discards": discards, "warnings": notes,
            "tool": study.sampling.tool, "rim": f"{rim:.0f}", "falls": _falls(plan), "from_rim": FROM_RIM[bool(lies)],
            "moved": f"If the surface stands otherwise than planned, keep these shares of the liquid height: {shares}.",
            "sediment": sediment, "stop": stop, "first": FIRST[len(stop) > 3]}


def _falls(plan: DrawPlan) -> str:
    """By how much the draws lower the level, where that can be dipped."""
    before, after = plan.draws[0].level_before_mm, plan.draws[-1].level_after_mm
    return f"The draws lower the level from {_mm(before)} to {_mm(after)} mm. " if before - after >= DIPPED_MM else ""


def _barred_draws(study: Study, plan: DrawPlan) -> set[str]:
    """Depths of the draws that the safety section does not clear: all at the floor, and the mixed rest."""
    floor = {d.depth for d in plan.draws if d.depth == "heel" or d.on_floor(study.sampling.floor_gap_mm)}
    barred = set() if study.safety.clears("heel draw") else floor
    return barred | (set() if study.safety.clears("stirring") else {"residue"})


def qr_svg(code: str) -> bytes:
    """The QR code of a blind code as SVG: error level M (15 % may be lost), border of four modules."""
    import segno

    buffer = io.BytesIO()
    segno.make(code, error="m", micro=False).save(buffer, kind="svg", border=4, xmldecl=False, svgns=True)
    return buffer.getvalue()


def label_places(study: Study, n: int) -> tuple[tuple[int, float, float], ...]:
    """Page (from 0) and upper left corner (mm) of each of ``n`` labels, row by row."""
    s = study.sampling.labels
    out = []
    for i in range(n):
        page, on_page = divmod(i, s.rows * s.columns)
        row, column = divmod(on_page, s.columns)
        out.append((page, s.margin_left_mm + column * (s.label_width_mm + s.gap_x_mm),
                    s.margin_top_mm + row * (s.label_height_mm + s.gap_y_mm)))
    return tuple(out)


def _qr_mm(study: Study) -> float:
    """Edge of the QR code on a label, mm."""
    s = study.sampling.labels
    return min(s.label_height_mm - 2 * LABEL_INSET_MM, s.label_width_mm * 0.45, 24.0)


def label_faults(study: Study) -> list[Fault]:
    """A fault where the labels are too small for a QR code that can be read."""
    s = study.sampling.labels
    reason = (f"a label of {s.label_width_mm:g} x {s.label_height_mm:g} mm has no room for a QR code of "
              f"{SMALLEST_QR_MM:.1f} mm")
    fault = Fault(file="study.toml", column="sampling.labels", reason=reason, remedy="use larger labels")
    return [fault] if _qr_mm(study) < SMALLEST_QR_MM else []


def labels_pdf(study: Study, codes: Sequence[str], *, frames: bool = False, sealed: str = NOT_LOCKED) -> bytes:
    """Bottle labels at exact millimetres: blind code, QR code, study, room for date, time and initials.

    ``frames`` prints the edges of the labels, for a trial on plain paper.  BadInput when the labels are too
    small for a QR code that can be read.
    """
    s, qr = study.sampling.labels, _qr_mm(study)
    if faults := label_faults(study):
        raise BadInput(faults)
    room = s.label_width_mm - 2 * LABEL_INSET_MM - qr - 1.5
    longest = max((len(c) for c in codes), default=5)
    points = min(16.0, room / (0.61 * longest) / 0.3528)  # a character of the code font is 0.602 em wide
    pages: list[list[dict[str, Any]]] = []
    for i, (page, x, y) in enumerate(label_places(study, len(codes))):
        if page == len(pages):
            pages.append([])
        pages[page].append({"sample": codes[i], "qr": f"qr{i}.svg", "x": x, "y": y})
    below = s.page_height_mm - s.margin_top_mm - s.rows * (s.label_height_mm + s.gap_y_mm) + s.gap_y_mm
    ruler = s.page_height_mm - below / 2 if below >= 8 else s.margin_top_mm / 2 if s.margin_top_mm >= 8 else None
    data = {**_common(study, "labels", sealed), "sheet": s.model_dump(), "pages": pages, "qr_mm": qr, "inset": LABEL_INSET_MM,
            "code_pt": points, "roomy": room >= 20 and s.label_height_mm >= 24, "frames": frames,
            "ruler_y": ruler if s.page_width_mm >= 190 else None}
    return render("labels", data, {f"qr{i}.svg": qr_svg(c) for i, c in enumerate(codes)})


def submission_pdf(study: Study, submission: pd.DataFrame, sealed: str = NOT_LOCKED) -> bytes:
    """The list for the laboratory: requests, questions with room for answers, bottles run by run."""
    runs = [
        {"run": str(run), "rows": [{"position": int(r["position"]), "sample": str(r["sample"]),
                                    "volume": f"{r['volume_ml']:g}", "tests": str(r["tests"])}
                                   for r in rows.sort_values("position").to_dict("records")]}
        for run, rows in submission.groupby("run", sort=False)
    ]
    return render("submission", {**_common(study, "list for the laboratory", sealed), "heading": "Samples for the laboratory",
                                 "bottles": str(len(submission)), "runs": runs, "hazards": hazards(study),
                                 "requests": lines("requests", study.safety), "questions": lines("questions", study.safety)})


def custody_pdf(study: Study, codes: Sequence[str], sealed: str = NOT_LOCKED) -> bytes:
    """The chain-of-custody page: who held the bottles from the draw to the disposal; codes sorted."""
    return render("custody", {**_common(study, "chain of custody", sealed), "heading": "Chain of custody",
                              "explain": " ".join((hazards(study), *lines("custody", study.safety))),
                              "bottles": str(len(codes)), "codes": sorted(codes), "lines": 7,
                              "columns": 6 if len(codes) <= 120 else 8})


def submission_xlsx(study: Study, submission: pd.DataFrame) -> bytes:
    """The same list as a workbook: sheet ``samples`` (all cells text or numbers, no formula) and ``questions``.

    The same plan gives the same bytes.
    """
    import openpyxl  # takes a third of a second to load, and hardly any command writes a workbook

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "samples"
    _fill(sheet, [list(submission.columns), *submission.to_numpy().tolist()])
    rows = [["study", study.title], ["hazards", hazards(study)], *([f"{part} {i}", t] for part in ("request", "question")
                                           for i, t in enumerate(lines(f"{part}s", study.safety), start=1))]
    _fill(book.create_sheet("questions"), [["what", "text", "answer"], *rows])
    buffer = io.BytesIO()
    book.save(buffer)
    return _fixed_zip(buffer.getvalue())


def _fill(sheet: Any, rows: list[list[Any]]) -> None:
    """Write rows; text stays text, also where it begins with an equals sign."""
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for i, row in enumerate(rows, start=1):
        for j, value in enumerate(row, start=1):
            cell = sheet.cell(row=i, column=j)
            cell.value = value
            if isinstance(value, str):
                cell.data_type = "s"
            if i == 1:
                cell.font = Font(bold=True)
    for j in range(1, len(rows[0]) + 1):
        width = max(len(str(r[j - 1])) for r in rows if len(r) >= j)
        sheet.column_dimensions[get_column_letter(j)].width = min(max(width + 2, 10), 90)
    sheet.freeze_panes = "A2"


def _fixed_zip(data: bytes) -> bytes:
    """The workbook with fixed dates in its archive and its properties, so that it does not change by itself."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist()):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb">\d{4}-\d\d-\d\dT[\d:.]+Z?<", b">1980-01-01T00:00:00Z<", content)
            info = zipfile.ZipInfo(name, date_time=ZIP_DATE)
            info.compress_type, info.external_attr, info.create_system = zipfile.ZIP_DEFLATED, 0o100644 << 16, 3
            new.writestr(info, content)
    return out.getvalue()


def all_sheets(study: Study, plan: Plan, sealed: str = NOT_LOCKED, folder: str = "plan/sheets") -> dict[str, bytes]:
    """Every printed sheet of a plan by its path in the study folder; each planned visit has a folder of its own."""
    if not plan.days:
        return _sheets(study, plan, folder, sealed)
    parts = [_sheets(study, plan.at(day), f"{folder}/visit-{i}", sealed) for i, day in enumerate(plan.days, start=1)]
    return {name: data for part in parts for name, data in part.items()}


def _sheets(study: Study, plan: Plan, folder: str, sealed: str) -> dict[str, bytes]:
    """The sheets of one visit by their path.

    Without a submission list (a study sampled before the kit was at hand) only bench sheets, labels and
    custody are made.
    """
    bench_codes = [str(c) for c in plan.draws["sample"] if c]
    others = [str(c) for c in plan.samples["sample"] if c not in set(bench_codes)]
    out = {f"{folder}/bench.pdf": bench_pdf(study, plan, sealed),
           f"{folder}/labels.pdf": labels_pdf(study, bench_codes + others, sealed=sealed),
           f"{folder}/custody.pdf": custody_pdf(study, bench_codes + others, sealed)}
    if len(plan.submission):
        out[f"{folder}/submission.pdf"] = submission_pdf(study, plan.submission, sealed)
        out[f"{folder}/submission.xlsx"] = submission_xlsx(study, plan.submission)
    return out
