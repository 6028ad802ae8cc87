"""The sheets as printed: QR codes read back, labels measured, pages counted, nothing unblinded, same bytes."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pypdfium2 as pdfium
import pytest
import zxingcpp
from PIL import Image

from studykit.core.errors import BadInput
from studykit.sampling.order import Plan, make_plan
from studykit.sampling.sheets import (
    all_sheets,
    bench_pdf,
    custody_pdf,
    label_places,
    labels_pdf,
    qr_svg,
    render,
    submission_pdf,
    submission_xlsx,
)
from studykit.study.cautions import cautions, lines
from studykit.study.codes import check_code
from studykit.study.definition import Study
from studykit.study.inventory import choose_containers
from tests.sampling_examples import container_table, stock_rows, study

PT = 72 / 25.4  # points a millimetre
NASTY = "Odd #title $x_1$ @ref *bold* \\ <b> \"q\" // [x] {y}"


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    s = study()
    return make_plan(s, choose_containers(container_table(stock_rows(12), tmp_path_factory.mktemp("plan")), s))


def plain(text: str) -> str:
    """A caution's text without its marks for bold."""
    return text.replace("**", "")


def texts(pdf: bytes) -> list[str]:
    document = pdfium.PdfDocument(pdf)
    return [" ".join(document[i].get_textpage().get_text_range().split()) for i in range(len(document))]


def pictures(pdf: bytes, scale: float) -> list[Image.Image]:
    document = pdfium.PdfDocument(pdf)
    return [document[i].render(scale=scale).to_pil().convert("L") for i in range(len(document))]


@pytest.mark.slow
def test_every_qr_code_reads_back_as_the_code_on_its_label(plan) -> None:
    codes = plan.samples["sample"].tolist()
    pages = pictures(labels_pdf(study(), codes), 3)
    found = [b for page in pages for b in zxingcpp.read_barcodes(page)]
    assert sorted(b.text for b in found) == sorted(codes)
    assert all(check_code(b.text) for b in found)
    # the code printed beside each QR code is the same: text order is label order
    printed = [w for page in texts(labels_pdf(study(), codes)) for w in page.split() if check_code(w)]
    assert printed == codes


@pytest.mark.slow
@pytest.mark.parametrize("changes", [
    {},
    {"rows": 13, "columns": 5, "label_width_mm": 38.1, "label_height_mm": 21.2, "margin_left_mm": 4.7,
     "margin_top_mm": 10.7, "gap_x_mm": 2.5, "gap_y_mm": 0.0},
    {"rows": 4, "columns": 2, "label_width_mm": 90.0, "label_height_mm": 60.0, "margin_left_mm": 12.0,
     "margin_top_mm": 20.0, "gap_x_mm": 5.0, "gap_y_mm": 4.0},
])
def test_labels_stand_at_their_millimetres(plan, changes) -> None:
    """Edges of every label on the page, measured at 600 dpi, within 0.1 mm of the settings."""
    s = study(sampling={"labels": changes})
    sheet = s.sampling.labels
    codes = plan.samples["sample"].tolist()[: sheet.rows * sheet.columns]
    document = pdfium.PdfDocument(labels_pdf(s, codes, frames=True))
    assert document[0].get_size() == pytest.approx((210 * PT, 297 * PT), abs=0.01)
    scale = 600 / 72
    dark = np.array(document[0].render(scale=scale).to_pil().convert("L")) < 225
    per_mm = 600 / 25.4
    for _, x, y in label_places(s, len(codes)):
        # along the middle of each edge, away from text and QR code, the frame is the only ink
        for left in (x, x + sheet.label_width_mm):
            row = int((y + 1.0) * per_mm)
            window = np.flatnonzero(dark[row, int((left - 1) * per_mm) : int((left + 1) * per_mm)])
            assert len(window)
            assert abs(window.mean() / per_mm - 1) < 0.1
        for top in (y, y + sheet.label_height_mm):
            column = int((x + 1.0) * per_mm)
            window = np.flatnonzero(dark[int((top - 1) * per_mm) : int((top + 1) * per_mm), column])
            assert len(window)
            assert abs(window.mean() / per_mm - 1) < 0.1


@pytest.mark.slow
def test_qr_codes_stand_where_their_labels_are_and_are_large_enough(plan) -> None:
    s = study()
    sheet = s.sampling.labels
    codes = plan.samples["sample"].tolist()
    (first, *_) = pictures(labels_pdf(s, codes), 600 / 72)
    per_mm = 600 / 25.4
    places = {codes[i]: (x, y) for i, (page, x, y) in enumerate(label_places(s, len(codes))) if page == 0}
    found = {b.text: b.position for b in zxingcpp.read_barcodes(first)}
    assert set(found) == set(places)
    for code, p in found.items():
        x, y = places[code]
        corners = [(q.x / per_mm, q.y / per_mm) for q in (p.top_left, p.top_right, p.bottom_right, p.bottom_left)]
        assert all(x < cx < x + sheet.label_width_mm / 2 for cx, _ in corners)
        assert all(y < cy < y + sheet.label_height_mm for _, cy in corners)
        assert (corners[1][0] - corners[0][0]) / 21 > 0.35  # mm a module, version 1 has 21
        # half-way up the label, and its border of 4 of 29 modules begins at the inset of 2 mm
        assert sum(cy for _, cy in corners) / 4 == pytest.approx(y + sheet.label_height_mm / 2, abs=0.4)
        assert corners[0][0] == pytest.approx(x + 2 + 24 * 4 / 29, abs=0.4)


def test_the_ruler_on_the_label_sheet_is_100_mm(plan) -> None:
    (page, *_) = pictures(labels_pdf(study(), plan.samples["sample"].tolist()[:3]), 600 / 72)
    dark = np.array(page) < 128
    per_mm = 600 / 25.4
    rows = dark[int(285 * per_mm) :, : int(122 * per_mm)]
    longest = max(rows, key=lambda r: int(r.sum()))
    where = np.flatnonzero(longest)
    assert (where[-1] - where[0]) / per_mm == pytest.approx(100, abs=0.3)


@pytest.mark.slow
def test_labels_and_laboratory_sheets_unblind_nothing(plan) -> None:
    codes = plan.samples["sample"].tolist()
    s = study()
    words = {"upper", "middle", "lower", "heel", "residue", "blank", "check", "duplicate", "valley", "hut", "remixed"}
    words |= set(plan.containers["container"]) | set(plan.containers["lot"])
    for pdf in (labels_pdf(s, codes), submission_pdf(s, plan.submission), custody_pdf(s, codes)):
        seen = set(" ".join(texts(pdf)).replace(",", " ").split())
        assert not words & seen, words & seen
    bench = set(" ".join(texts(bench_pdf(s, plan))).split())
    assert {"upper", "lower", "heel", "1E5"} <= bench  # control: the words are found where they do stand


def test_bench_laboratory_and_custody_sheets_carry_the_seal_on_each_page(plan) -> None:
    """recheck.md: a signed sheet shows that this lock was there; labels carry none."""
    sealed = "locked 2026-01-02, seal 0123 4567"
    codes = plan.samples["sample"].astype(str).tolist()
    for pdf in (bench_pdf(study(), plan, sealed), submission_pdf(study(), plan.submission, sealed),
                custody_pdf(study(), codes, sealed)):
        assert all(sealed in page for page in texts(pdf))
    assert not any("seal" in page for page in texts(labels_pdf(study(), codes, sealed=sealed)))


def test_labels_too_small_for_a_qr_code_are_refused() -> None:
    s = study(sampling={"labels": {"label_height_mm": 12.0, "rows": 10}})
    with pytest.raises(BadInput, match=r"a label of 63\.5 x 12 mm has no room for a QR code of 10\.1 mm"):
        labels_pdf(s, ["K72PX"])


def test_more_labels_than_a_sheet_go_on_to_the_next() -> None:
    places = label_places(study(), 49)
    assert [p for p, _, _ in places].count(0) == 24
    assert places[24] == (1, 7.2, 12.9)
    assert places[-1][0] == 2


@pytest.mark.slow
def test_one_bench_page_a_container_in_the_order_of_the_visits(plan) -> None:
    front, *pages, last = texts(bench_pdf(study(), plan))
    assert front.startswith("Before anything is opened")
    for c in cautions("", study().safety):
        assert " ".join(plain(c.text).split())[:40] in front
    assert "mixed by WI-3, tumbling of pails" in front
    assert len(pages) == len(plan.draw_plans)
    own = plan.key[plan.key["container"] == ""]
    assert last.startswith("Bottles that come from no container")
    for row in own.itertuples():
        assert f"{row.sample} {row.kind} {row.run} 100" in last
    for page, p in zip(pages, plan.draw_plans, strict=True):
        assert page.startswith(f"Container {p.container}")
        own = plan.draws[plan.draws["container"] == p.container]
        assert all(code in page for code in own["sample"])
        for asked in ("last moved on", "rim to surface found", "liquid height, dipped last",
                      "liquid temperature", "tool and its number", "purged",
                      "time", "initials", "appearance, sediment", "photo"):
            assert asked in page, asked
        for c in cautions("bottle", study().safety):
            assert plain(c.text)[:30] in page
        assert "drawn 1 : 5" in page
        assert "20 L at a liquid height of 317 mm, 43 mm below the rim" in page
        assert "keep these shares of the liquid height: upper 0.83, middle 0.50, lower 0.17." in page
    assert sum("remixed control: mixed shut before" in page for page in pages) == 1


@pytest.mark.slow
def test_a_crowded_bench_page_stays_one_page(tmp_path) -> None:
    rows = stock_rows(1)
    s = study(title=NASTY, factors={"depths": ["top", "upper", "middle", "lower", "bottom"]},
              safety={"mixing_procedure": "WI-3 for pails"},
              sampling={"draw_ml": 55, "purge_ml": 5, "discard_ml": 30, "duplicates": 2, "bottle_ml": 60})
    pages = texts(bench_pdf(s, make_plan(s, container_table(rows, tmp_path))))
    assert len(pages) == 3
    assert pages[2].startswith("Bottles that come from no container")
    assert plain(cautions("bottle", s.safety)[-1].text)[:30] in pages[1]
    assert "bottom and heel are drawn at the same place" in pages[1]
    assert "then discard mL" in pages[1]


@pytest.mark.slow
def test_a_crowded_page_with_every_caution_stays_one_page_and_says_what_is_barred(plan) -> None:
    unknown = dict.fromkeys(("flash_point_c", "liquid_up_to_c", "conductivity_ps_m", "pressure_or_gas"), "unknown")
    pages = texts(bench_pdf(study(safety=unknown), plan))
    assert len(pages) == len(plan.draw_plans) + 2
    assert ("not answered: flash point, highest temperature of the liquid, conductivity, pressure or gas"
            in " ".join(pages[0].split()))
    for page in pages[1:-1]:
        assert "HEEL BARRED: do not draw at the floor." in page
        assert "RESIDUE BARRED: do not stir or mix." in page
        assert "heel barred" in page
    assert "poured slowly as it stands, or have them filled under these codes by people" in pages[-1]


UNKNOWN = dict.fromkeys(("data_sheet", "flash_point_c", "liquid_up_to_c", "conductivity_ps_m", "vessel_material",
                         "pressure_or_gas", "free_water", "toxic_or_corrosive", "permit"), "unknown")
PROFILES = {"cleared": {}, "nothing answered": UNKNOWN, "free water": {"free_water": "yes"},
            "pressure": {"pressure_or_gas": "yes"},
            "a solvent in lined steel": {"flash_point_c": 4, "conductivity_ps_m": 5, "toxic_or_corrosive": "yes",
                                         "vessel_material": "other"},
            "hot glycol in plastic": {"flash_point_c": "none", "liquid_up_to_c": 60, "conductivity_ps_m": 1e8,
                                      "toxic_or_corrosive": "yes", "vessel_material": "plastic"}}


@pytest.mark.slow
@pytest.mark.parametrize("profile", PROFILES.values(), ids=PROFILES)
def test_a_drum_with_six_draws_keeps_one_page_whatever_the_profile(profile: dict[str, object], tmp_path) -> None:
    """Looked at as pictures: cautions went onto a page of their own, and a field asked to dip where a step forbids it."""
    drum = {"drum": {"shape": "upright_cylinder", "diameter_mm": 571.5, "height_mm": 850}}
    material = {"vessel_material": dict.fromkeys(("pail20", "bottle1", "drum"), "metal")}
    planned = study(vessels=drum, safety=material, design={"controls": ["blank", "duplicate"]}, sampling={"duplicates": 4})
    rows = [{**r, "vessel": "drum", "fill_volume_l": "200"} for r in stock_rows(3)]
    plan = make_plan(planned, container_table(rows, tmp_path))
    assert max(len(p.draws) for p in plan.draw_plans) >= 6
    printed = study(vessels=drum, safety=material | profile, design={"controls": ["blank", "duplicate"]})
    pages = texts(bench_pdf(printed, plan))
    assert len(pages) == len(plan.draw_plans) + 2
    for page in pages[1:-1]:
        assert page.startswith("Container ")
        assert all(plain(c.text)[:30] in page for c in cautions("bottle", printed.safety))
        assert all(line[:40] in page for line in lines("stop", printed.safety))
        assert ("do not dip" in page) != ("dipped last" in page)


@pytest.mark.slow
@pytest.mark.parametrize(("zones", "answered", "pages"), [(7, False, 1), (10, True, 2), (14, False, 2), (20, False, 2)])
def test_many_draws_go_on_to_a_page_that_names_its_container(zones: int, answered: bool, pages: int, tmp_path) -> None:
    """Looked at as pictures: the table broke without a head, and steps and cautions stood after the draws."""
    depths = [f"zone {k + 1}" for k in range(zones)]
    unknown = {} if answered else dict.fromkeys(("flash_point_c", "liquid_up_to_c", "conductivity_ps_m", "vessel_material",
                                                 "pressure_or_gas", "free_water", "toxic_or_corrosive"), "unknown")
    drum = {"drum": {"shape": "upright_cylinder", "diameter_mm": 571.5, "height_mm": 850}}
    material = {"vessel_material": dict.fromkeys(("pail20", "bottle1", "drum"), "metal")}
    s = study(vessels=drum, factors={"depths": depths}, safety=material | unknown, design={"controls": ["blank"]},
              sampling={"heel": answered, "residue": answered, "run_capacity": 60,
                        "zones": [{"label": d, "height": round(0.96 - 0.9 * k / zones, 3)} for k, d in enumerate(depths)]})
    plan = make_plan(s, container_table([{**stock_rows(1)[0], "vessel": "drum", "fill_volume_l": "200"}], tmp_path))
    of_it = texts(bench_pdf(s, plan))[1:-1]
    assert len(of_it) == pages
    assert plain(cautions("bottle", s.safety)[-1].text)[:30] in of_it[0]
    assert all(page.startswith("Container 007") and "drawn by (initials)" in page for page in of_it)
    assert all("bottle depth tip above floor" in page.replace("  ", " ") for page in of_it)
    codes = plan.draws["sample"].tolist()
    assert [sum(code in page for page in of_it) for code in codes] == [1] * len(codes)
    assert sum("keep these shares of the liquid height: zone 1 0.96" in page for page in of_it) == 1


def drum_with(depths: list[str], tmp_path: Path, **more: object) -> tuple[Study, Plan]:
    """One full drum of 850 mm, its depths at nine tenths of the liquid and down."""
    drum = {"drum": {"shape": "upright_cylinder", "diameter_mm": 571.5, "height_mm": 850}}
    material = {"vessel_material": dict.fromkeys(("pail20", "bottle1", "drum"), "metal")}
    s = study(vessels=drum, factors={"depths": depths}, safety=material, design={"controls": ["blank"]}, sampling={
        "zones": [{"label": d, "height": round(0.9 - 0.8 * k / len(depths), 3)} for k, d in enumerate(depths)]})
    return s, make_plan(s, container_table([{**stock_rows(1)[0], "vessel": "drum", "fill_volume_l": "200", **more}], tmp_path))


@pytest.mark.slow
def test_the_length_of_tube_below_the_rim_stands_beside_every_tip(tmp_path) -> None:
    """Floor to tip and tip to rim are the inside height of 850 mm, by definition."""
    s, plan = drum_with(["upper", "lower"], tmp_path)
    page = texts(bench_pdf(s, plan))[1]
    assert "tube in from rim mm" in page
    for d in plan.draw_plans[0].draws[:2]:
        assert f"{d.depth} {d.tip_mm:.0f} {850 - d.tip_mm:.0f} {d.below_surface_mm:.0f}" in page
    assert "no neck or bung ring stands above it" in page
    lying, plan = drum_with(["upper", "lower"], tmp_path, orientation="lying")
    assert "for an opening at the highest point only" in texts(bench_pdf(lying, plan))[1]


LONG = ("just below the surface foam of the stored slurry", "halfway", "Oberflaechenschichtuntersuchungsbereich mit Schaum",
        "lower")


@pytest.mark.slow
def test_long_names_of_depths_print_over_nothing(tmp_path) -> None:
    """Looked at as pictures: names of depths ran through the tips beside them, and those of the drawing into the table."""
    s, plan = drum_with(list(LONG), tmp_path)
    page = pdfium.PdfDocument(bench_pdf(s, plan))[1]
    text = page.get_textpage()
    boxes = [text.get_rect(i) for i in range(text.count_rects())]
    over = [(a, b) for i, a in enumerate(boxes) for b in boxes[:i]
            if min(a[2], b[2]) - max(a[0], b[0]) > 1 and min(a[3], b[3]) - max(a[1], b[1]) > 3]
    assert over == []
    said = " ".join(text.get_text_range().split())
    assert "just below the surface foam of the stored slurry" in said


def test_steps_of_a_page_with_room_are_numbered_lines_in_larger_type(tmp_path) -> None:
    """Type for gloves and poor light: at least 8 pt where few depths leave the room; 7.5 pt was all there was."""
    s, plan = drum_with(["upper", "lower"], tmp_path)
    page = pdfium.PdfDocument(bench_pdf(s, plan))[1]
    text, words = page.get_textpage(), "Set the tip by its height above the floor"
    at = text.search(words).get_next()
    assert at is not None
    assert pdfium.raw.FPDFText_GetFontSize(text.raw, at[0]) >= 8


@pytest.mark.slow
def test_a_page_has_the_type_that_it_has_alone(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The size that fits is looked for from that of the page before, upwards and downwards."""
    asked: list[dict[str, Any]] = []
    monkeypatch.setattr("studykit.sampling.sheets.render", lambda template, data, files=None: asked.append(data) or b"")
    bench_pdf(*drum_with(["upper", "lower"], tmp_path))
    monkeypatch.undo()
    few = asked[0]["pages"][0]
    many = few | {"warnings": ["Something of this container that takes a line of the column beside its drawing."] * 8}
    words = "Set the tip"

    def sizes(pages: list[dict[str, Any]]) -> list[float]:
        printed, out = pdfium.PdfDocument(render("bench", asked[0] | {"pages": pages})), []
        for page in (printed[k + 1] for k in range(len(pages))):
            text = page.get_textpage()
            out.append(round(pdfium.raw.FPDFText_GetFontSize(text.raw, text.search(words).get_next()[0]), 3))
        return out

    (large,), (small,) = sizes([few]), sizes([many])
    assert large > small
    assert sizes([few, many, few, many, many, few]) == [large, small, large, small, small, large]


@pytest.mark.slow
def test_user_text_prints_as_itself(plan) -> None:
    """Markup and code of the typesetting language in a title must not run or vanish."""
    s = study(title=NASTY, responsible="#import \"x\"", sampling={"tool": "#panic()"})
    for pdf in (bench_pdf(s, plan), labels_pdf(s, ["K72PX"]), submission_pdf(s, plan.submission),
                custody_pdf(s, ["K72PX"])):
        assert "#title $x_1$ @ref *bold*" in texts(pdf)[0]
    assert "#panic()" in texts(bench_pdf(s, plan))[1]


def test_the_list_for_the_laboratory_asks_and_lists(plan) -> None:
    pages = texts(submission_pdf(study(), plan.submission))
    for text in (*lines("requests", study().safety), *lines("questions", study().safety)):
        assert text[:45] in pages[0]
    assert all("Run R" in page for page in pages[1:])  # a run that goes on says so
    rest = " ".join(pages[1:]).split()
    order = [w for w in rest if check_code(w)]
    assert order == plan.submission["sample"].tolist()


def test_the_workbook_holds_text_and_no_formula(plan) -> None:
    s = study(title="=1+1", sampling={"tests": [{"name": "=HYPERLINK(1)", "volume_ml": 10}]})
    submission = plan.submission.assign(tests="=HYPERLINK(1)")
    data = submission_xlsx(s, submission)
    book = openpyxl.load_workbook(io.BytesIO(data))
    sheet = book["samples"]
    assert [c.value for c in sheet[1]] == ["run", "position", "sample", "volume_ml", "tests"]
    assert [r[2].value for r in sheet.iter_rows(min_row=2)] == plan.submission["sample"].tolist()
    assert all(c.data_type in ("s", "n") for sheet in book for row in sheet for c in row)
    assert sheet["E2"].value == "=HYPERLINK(1)"
    assert sheet["E2"].data_type == "s"
    assert book["questions"]["B2"].value == "=1+1"


@pytest.mark.slow
def test_the_same_plan_gives_the_same_bytes(plan) -> None:
    a, b = all_sheets(study(), plan), all_sheets(study(), plan)
    names = ("bench.pdf", "labels.pdf", "custody.pdf", "submission.pdf", "submission.xlsx")
    assert set(a) == {f"plan/sheets/{n}" for n in names}
    for name in a:
        assert a[name] == b[name], name
    assert b"CreationDate" not in a["plan/sheets/bench.pdf"]


def test_qr_code_is_the_smallest_kind_with_its_border() -> None:
    svg = qr_svg("K72PX").decode()
    assert 'width="29"' in svg  # 21 modules and a border of 4 on each side
