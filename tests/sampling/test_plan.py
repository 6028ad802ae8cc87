"""`studykit plan`: what it files, that it never overwrites, and that a refusal writes nothing."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.sampling import plan as planning
from studykit.sampling import sheets
from studykit.sampling.outlay import outlay
from studykit.sampling.plan import existing_plan, has_plan, plan
from studykit.sampling.reconcile import reconcile
from studykit.study.definition import load_study
from studykit.study.lock import lock_plan
from studykit.study.stages import share
from studykit.study.tables import load_tables
from tests.sampling_examples import STUDY_TOML, folder, stock_rows

FILES = {"sheets/profile.json", "sheets/bench.pdf", "sheets/labels.pdf", "sheets/custody.pdf", "sheets/submission.pdf",
         "sheets/submission.xlsx", "submission.csv", "key.csv", "draws.csv", "plan.json", "samples.csv", "stock.csv",
         "containers.csv"}


def tree(root: Path) -> dict[str, bytes]:
    return {str(p.relative_to(root)): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


def test_from_a_stock_list_to_a_filed_plan(tmp_path) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    filed = plan(root, load_study(root))
    assert filed.new
    assert set(tree(root / "plan")) == FILES
    tables = load_tables(root, with_results=False)  # the filed tables pass their own checks
    assert len(tables.containers) == 7
    assert len(tables.samples) == len(filed.plan.key)
    about = json.loads((root / "plan/plan.json").read_text())
    assert (about["seed"], about["chosen_from"], about["samples"]) == (11, "plan/stock.csv", len(tables.samples))
    seen = pd.read_csv(root / "plan/submission.csv")
    assert list(seen.columns) == ["run", "position", "sample", "volume_ml", "tests"]
    key = pd.read_csv(root / "plan/key.csv", dtype=str)
    assert set(key["sample"]) == set(seen["sample"]) == set(tables.samples["sample"])
    r = reconcile(root, tables.study, tables.containers, tables.samples)
    assert {f.what for f in r.findings} == {"missing", "not logged"}


@pytest.mark.slow
def test_the_same_study_gives_the_same_files(tmp_path) -> None:
    a, b = folder(tmp_path / "a", stock=stock_rows(12)), folder(tmp_path / "b", stock=stock_rows(12))
    plan(a, load_study(a))
    plan(b, load_study(b))
    assert tree(a) == tree(b)


@pytest.mark.slow
def test_from_a_list_of_containers_and_a_header_only_samples_file(tmp_path) -> None:
    root = folder(tmp_path, containers=stock_rows(3))
    (root / "plan/samples.csv").write_text("sample,container,kind,depth\n", encoding="utf-8")
    assert not has_plan(root)
    before = (root / "plan/containers.csv").read_bytes()
    plan(root, load_study(root))
    assert has_plan(root)
    assert (root / "plan/containers.csv").read_bytes() == before
    assert set(load_tables(root, with_results=False).samples["container"]) == {"007", "1E5", "200", ""}


@pytest.mark.slow
def test_a_second_plan_leaves_the_tables_and_makes_the_same_sheets(tmp_path) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    plan(root, load_study(root))
    before = tree(root)
    again = plan(root, load_study(root))
    assert not again.new
    assert "its tables were left as they are" in again.notes[0]
    assert "to plan anew, remove plan/samples.csv first" in again.notes[1]
    after = tree(root)
    assert {k: v for k, v in before.items() if k.endswith(".csv")} == {
        k: v for k, v in after.items() if k.endswith(".csv")}
    assert before["plan/sheets/submission.pdf"] == after["plan/sheets/submission.pdf"]
    assert before["plan/sheets/submission.xlsx"] == after["plan/sheets/submission.xlsx"]


@pytest.mark.slow
def test_the_demo_study_gets_sheets_and_keeps_its_tables(tmp_path) -> None:
    root = tmp_path / "demo"
    shutil.copytree(share("demo_data") / "ropeway", root)
    before = tree(root)
    study = load_study(root)
    filed = plan(root, study)
    assert not filed.new
    assert {k: v for k, v in tree(root).items() if k in before} == before
    assert {Path(f).name for f in filed.files} == {"bench.pdf", "labels.pdf", "custody.pdf", "profile.json"}
    made = existing_plan(root, study)
    assert len(made.draw_plans) == len(made.containers)
    codes = [c for c in made.draws["sample"] if c]
    assert len(set(codes)) == len(codes)
    tables = load_tables(root, with_results=False)
    drawn = tables.samples[tables.samples["kind"].isin(("spot", "duplicate", "heel"))]
    assert set(drawn["sample"]) <= set(codes)


@pytest.mark.parametrize(("change", "message"), [
    ({"vessel": "drum"}, "'drum': is not a vessel of study.toml"),
    ({"fill_volume_l": "40"}, "a fill of 40 L is not inside the vessel"),
    ({"fill_volume_l": "0.2"}, "draws take .* but it holds 200 mL"),
    ({"fill_volume_l": "twenty"}, "'twenty': is not a number"),
    ({"container": "1E5"}, "'1E5': occurs twice"),
])
def test_a_bad_container_is_refused_and_nothing_is_written(tmp_path, change, message) -> None:
    rows = stock_rows(4)
    rows[2].update(change)
    root = folder(tmp_path, containers=rows)
    before = tree(root)
    with pytest.raises(BadInput, match=message):
        plan(root, load_study(root))
    assert tree(root) == before


def test_no_list_at_all_is_refused(tmp_path) -> None:
    root = folder(tmp_path)
    with pytest.raises(BadInput, match="there is no list of containers to plan with"):
        plan(root, load_study(root))
    assert set(tree(root)) == {"study.toml"}


def test_a_failure_while_printing_writes_nothing(tmp_path, monkeypatch) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    before = tree(root)

    def broken(*_: object) -> bytes:
        raise RuntimeError("printer on fire")

    monkeypatch.setattr(sheets, "custody_pdf", broken)
    with pytest.raises(RuntimeError, match="printer on fire"):
        plan(root, load_study(root))
    assert tree(root) == before


@pytest.mark.slow
def test_a_locked_plan_whose_samples_are_gone_is_not_replaced(tmp_path) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    plan(root, load_study(root))
    lock_plan(root, load_study(root))
    (root / "plan/samples.csv").unlink()
    before = tree(root)
    with pytest.raises(BadInput, match=r"plan/samples\.csv: the plan is locked.*remove plan/plan\.lock too"):
        plan(root, load_study(root))
    assert tree(root) == before


def test_zones_out_of_order_in_the_definition_are_refused(tmp_path) -> None:
    toml = STUDY_TOML + 'zones = [{ label = "upper", height = 0.2 }, { label = "middle", height = 0.5 },' \
                        ' { label = "lower", height = 0.1 }]\n'
    root = folder(tmp_path, stock=stock_rows(12), toml=toml)
    with pytest.raises(BadInput, match="zones are out of order: 'middle'"):
        load_study(root)
    assert planning.has_plan(root) is False


@pytest.mark.slow
def test_a_plan_read_again_keeps_visits_runs_and_warnings(tmp_path) -> None:
    toml = STUDY_TOML.replace('"remixed control", "duplicate"', '"remixed control", "layered control", "duplicate"')
    root = folder(tmp_path, stock=stock_rows(12), toml=toml)
    study = load_study(root)
    first = plan(root, study)
    assert any("layered control, but no container" in n for n in first.notes)
    again = existing_plan(root, study)
    assert again.to_table().equals(first.plan.to_table())
    assert [p.container for p in again.draw_plans] != sorted(p.container for p in again.draw_plans)
    assert again.warnings == first.plan.warnings
    before = (root / "plan/sheets/bench.pdf").read_bytes()
    plan(root, study)
    assert (root / "plan/sheets/bench.pdf").read_bytes() == before


@pytest.mark.slow
@pytest.mark.parametrize("text", ["", "visit,bottle\n1,X\n"])
def test_a_table_of_draws_that_was_spoilt_is_told(tmp_path, text) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    plan(root, load_study(root))
    (root / "plan/draws.csv").write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match=r"plan/draws\.csv: is not as the kit wrote it"):
        plan(root, load_study(root))


@pytest.mark.slow
def test_sisters_and_retained_samples_are_filed(tmp_path) -> None:
    toml = STUDY_TOML.replace('"remixed control", "duplicate"', '"sister", "retained", "duplicate"').replace(
        "containers = 6", "containers = 4")
    root = folder(tmp_path, stock=stock_rows(12), toml=toml)
    filed = plan(root, load_study(root))
    sisters = pd.read_csv(root / "plan/sisters.csv", dtype=str)
    tables = load_tables(root, with_results=False)
    assert set(sisters["sister_of"]) == set(tables.containers["container"])
    assert not set(sisters["container"]) & set(tables.containers["container"])
    assert "leave these 4 sister containers shut until a later visit: plan/sisters.csv" in filed.notes
    assert sorted(tables.samples.loc[tables.samples["kind"] == "retained", "lot"]) == ["L0", "L1"]
    few = folder(tmp_path / "few", stock=stock_rows(5), toml=toml)
    notes = plan(few, load_study(few)).notes
    assert any("3 containers have no sister in plan/stock.csv" in n for n in notes), notes
    own = folder(tmp_path / "own", containers=stock_rows(4), toml=toml)
    assert any("without plan/stock.csv choose them yourself" in n for n in plan(own, load_study(own)).notes)
    assert not (own / "plan/sisters.csv").exists()


def test_a_chosen_container_that_cannot_be_drawn_is_named_by_its_line_of_the_stock(tmp_path) -> None:
    rows = [r | {"fill_volume_l": "40"} for r in stock_rows(12)]
    root = folder(tmp_path, stock=rows)
    text = (root / "plan/stock.csv").read_text(encoding="utf-8").split("\n")
    (root / "plan/stock.csv").write_text("\n".join([text[0], "", *text[1:]]), encoding="utf-8")  # a blank line first
    before = tree(root)
    with pytest.raises(BadInput, match="is more than the vessel's") as caught:
        plan(root, load_study(root))
    assert {(f.file, f.column, f.value) for f in caught.value.faults} == {("plan/stock.csv", "fill_volume_l", "40")}
    assert sorted(f.row for f in caught.value.faults) == list(range(3, 15))  # every line of the list, each once
    assert tree(root) == before


@pytest.mark.slow
def test_a_plan_that_asks_for_more_than_the_safety_section_clears_is_refused_whole(tmp_path) -> None:
    toml = STUDY_TOML.replace("flash_point_c = 220\n", "").replace('free_water = "no"', 'free_water = "yes"')
    root = folder(tmp_path, stock=stock_rows(12), toml=toml)
    with pytest.raises(BadInput) as error:
        plan(root, load_study(root))
    told = [f.reason for f in error.value.faults]
    assert told == [
        "sampling.heel asks for a draw at the floor, but [safety] does not clear it: not answered: flash_point_c; "
        "free water lies in it",
        "sampling.residue asks to stir what is left, but [safety] does not clear it: not answered: flash_point_c; "
        "free water lies in it",
        "a remixed control is to be mixed, but [safety] does not clear it: not answered: flash_point_c; free water lies in it"]
    assert not (root / "plan/samples.csv").exists()
    less = toml.replace("heel = true", "heel = false").replace("residue = true", "").replace('"remixed control", ', "")
    (root / "study.toml").write_text(less)
    assert len(plan(root, load_study(root)).plan.draws) > 0


@pytest.mark.slow
def test_a_depth_on_the_floor_is_barred_as_a_heel_draw_is(tmp_path) -> None:
    """'bottom' is drawn at the floor (ISO 3170 and ASTM D4057, from memory), whatever sampling.heel says."""
    toml = STUDY_TOML.replace("flash_point_c = 220\n", "").replace("heel = true", "heel = false").replace("residue = true", "")
    toml = toml.replace('"remixed control", ', "").replace('["upper", "middle", "lower"]', '["top", "middle", "bottom"]')
    root = folder(tmp_path, stock=stock_rows(12), toml=toml)
    with pytest.raises(BadInput, match=r"this depth is drawn at the floor, but .* not answered: flash") as error:
        plan(root, load_study(root))
    assert [f.value for f in error.value.faults] == ["bottom"]
    higher = ", ".join(f'{{ label = "{n}", height = {h} }}' for n, h in (("top", 0.9), ("middle", 0.5), ("bottom", 0.1)))
    (root / "study.toml").write_text(toml.replace("[sampling]\n", f"[sampling]\nzones = [{higher}]\n"))
    assert len(plan(root, load_study(root)).plan.draws) > 0


def test_a_container_warmer_than_the_safety_section_says_is_refused(tmp_path) -> None:
    """[safety] says at most 30 °C; stock list and list of containers alike."""
    rows = [{**r, "temperature_c": "55" if i == 2 else "12"} for i, r in enumerate(stock_rows(12))]
    for where in ("stock", "containers"):
        root = folder(tmp_path / where, **{where: rows if where == "stock" else rows[:6]})
        with pytest.raises(BadInput, match=f"plan/{where}.csv row 4, column temperature_c: '55.0': is warmer than safety"):
            plan(root, load_study(root))


def test_a_listed_container_to_be_remixed_asks_for_clearance_too(tmp_path) -> None:
    toml = STUDY_TOML.replace('mixing_procedure = "WI-3, tumbling of pails"\n', "")
    toml = toml.replace("heel = true", "heel = false")
    rows = [{**stock_rows(1)[0], "treatment": "remixed control"}]
    root = folder(tmp_path, containers=rows, toml=toml.replace('"remixed control", ', ""))
    with pytest.raises(BadInput, match="mixing_procedure is not answered"):
        plan(root, load_study(root))


def test_a_stock_list_alone_asks_how_many_are_to_be_opened(tmp_path) -> None:
    """Forty lines are not forty containers to open: the number must be written."""
    toml = STUDY_TOML.replace("containers = 6\n", "")
    head, _, rest = toml.partition("[design]\n")
    for text in (toml, head + rest.partition("\n")[2]):  # without the number, and without the section
        root = folder(tmp_path / str(len(text)), stock=stock_rows(40), toml=text)
        before = tree(root)
        with pytest.raises(BadInput, match=r"design.containers: does not say how many of the 40 .* containers = 12"):
            plan(root, load_study(root))
        assert tree(root) == before


@pytest.mark.slow
def test_a_plan_of_many_bottles_asks_first_and_says_what_answers(tmp_path) -> None:
    root = folder(tmp_path, stock=stock_rows(40), toml=STUDY_TOML.replace("containers = 6\n", "containers = 24\n"))
    before = tree(root)
    with pytest.raises(BadInput, match="more than it may fill without being asked") as caught:
        plan(root, load_study(root))
    assert tree(root) == before
    took = outlay(load_study(root), *drafted(root))
    assert f"studykit plan FOLDER --bottles {took.bottles}, or write [design] max_bottles = {took.bottles}" in str(caught.value)
    with pytest.raises(BadInput, match="without being asked"):
        plan(root, load_study(root), bottles=took.bottles - 1)
    assert len(plan(root, load_study(root), bottles=took.bottles).plan.submission) == took.bottles


@pytest.mark.slow
def test_the_key_that_the_question_names_answers_it(tmp_path) -> None:
    toml = STUDY_TOML.replace("containers = 6\n", "containers = 24\nmax_bottles = 400\n")
    root = folder(tmp_path, stock=stock_rows(40), toml=toml)
    assert plan(root, load_study(root)).new


def drafted(root: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    made, _ = planning.draft(root, load_study(root))
    return made.containers, made.samples


def test_nothing_is_drawn_at_the_floor_nor_stirred_unasked(tmp_path) -> None:
    toml = STUDY_TOML.replace("heel = true\n", "").replace("residue = true\n", "")
    root = folder(tmp_path, stock=stock_rows(12), toml=toml)
    assert not set(drafted(root)[1]["kind"]) & {"heel", "composite"}
    only = folder(tmp_path / "heel", stock=stock_rows(12), toml=STUDY_TOML.replace("residue = true\n", ""))
    assert "composite" not in set(drafted(only)[1]["kind"])  # a heel draw brings no stirred rest with it
    assert "heel" in set(drafted(only)[1]["kind"])


@pytest.mark.slow
def test_planning_anew_is_offered_only_where_nothing_was_drawn(tmp_path) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    plan(root, load_study(root))
    assert "remove plan/samples.csv first" in plan(root, load_study(root)).notes[1]
    lock_plan(root, load_study(root))
    assert "remove plan/samples.csv and plan/plan.lock first" in plan(root, load_study(root)).notes[1]
    (root / "raw").mkdir(exist_ok=True)
    (root / "raw/laboratory.csv").write_text("sample,P\nA1,5\n")
    said = plan(root, load_study(root)).notes[1]
    assert said.startswith("results are there")
    assert "remove" not in said
