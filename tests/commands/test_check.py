"""`check` names whatever plan, lock, intake or report would stop at, with their exit codes, and changes nothing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.check import check_folder
from studykit.commands.cli import main
from studykit.core.errors import BadInput
from studykit.demos.shipped import copy_demo
from studykit.design.tables import budget_table, open_design
from studykit.sampling.outlay import barred_words, outlay
from studykit.sampling.plan import plan
from studykit.study.definition import load_study
from studykit.study.lock import lock_folder
from studykit.study.printed import PROFILE
from studykit.study.tables import Tables, empty_tables
from tests.sampling_examples import STUDY_TOML, folder, stock_rows

PRICED = "[design]\ncost_container = 40\ncost_sample = 10\ncost_determination = 6\n"
GUESS = "\n[design.guesses.P]\ns_r = 2\n"


def faults_of(root: Path) -> list[str]:
    with pytest.raises(BadInput) as caught:
        check_folder(root)
    return [f.line() for f in caught.value.faults]


def tree(root: Path) -> dict[str, bytes]:
    return {str(p.relative_to(root)): p.read_bytes() for p in sorted(root.rglob("*")) if p.is_file()}


def planned(root: Path) -> None:
    plan(root, load_study(root))


def chapter(root: Path) -> None:
    tables: Tables = empty_tables(load_study(root), root)
    budget_table(open_design(tables))


STOPS: dict[str, tuple[Callable[[str], str], Callable[[Path], object], str]] = {
    "a budget that is too small": (
        lambda t: t.replace("[design]\n", PRICED + "budget = 20\n") + GUESS, chapter, "the smallest design of the grid costs"),
    "a guess of a fall by 100 %": (
        lambda t: t + GUESS + "gradient = -120\n", chapter, "nothing can fall by 100 % or more"),
    "zones lacking a depth": (
        lambda t: t + 'zones = [{ label = "upper", height = 0.8 }, { label = "lower", height = 0.2 }]\n', planned,
        "sampling.zones lists upper, lower, but the depths of [factors] are upper, middle, lower"),
    "a heel that safety does not clear": (
        lambda t: t.replace('pressure_or_gas = "no"', 'pressure_or_gas = "yes"'), planned,
        "sampling.heel asks for a draw at the floor, but [safety] does not clear it"),
    "how many of the stock": (
        lambda t: t.replace("containers = 6\n", ""), planned, "does not say how many of the 12 containers"),
    "too many bottles": (
        lambda t: t.replace("containers = 6\n", "containers = 6\nmax_bottles = 20\n"), planned,
        "more than it may fill without being asked"),
    "a run too small": (
        lambda t: t.replace("run_capacity = 24", "run_capacity = 3"), planned, "a run cannot hold the"),
    "labels too small": (
        lambda t: t + "\n[sampling.labels]\nlabel_height_mm = 5\n", planned, "has no room for a QR code"),
}


@pytest.mark.few(1)
@pytest.mark.parametrize("case", STOPS)
def test_what_would_stop_the_plan_is_listed_and_does_stop_it(tmp_path, case, capsys) -> None:
    change, step, said = STOPS[case]
    root = folder(tmp_path / "s", stock=stock_rows(12), toml=change(STUDY_TOML))
    before = tree(root)
    assert any(said in line for line in faults_of(root)), faults_of(root)
    assert main(["check", str(root)]) == 2
    assert said in capsys.readouterr().err
    with pytest.raises(BadInput) as stopped:
        step(root)
    assert stopped.value.exit_code == 2
    assert said in str(stopped.value)
    assert tree(root) == before


def test_faults_of_several_commands_stand_in_one_list(tmp_path) -> None:
    text = STUDY_TOML.replace('pressure_or_gas = "no"', 'pressure_or_gas = "yes"').replace(
        '"a quarter of the limit"', '"write here why a smaller difference does not matter"')
    text = text.replace("[design]\n", PRICED + "budget = 20\n") + GUESS
    told = faults_of(folder(tmp_path / "s", toml=text, stock=[*stock_rows(12), {**stock_rows(1)[0], "container": "X",
                                                                               "vessel": "tub"}]))
    for said in ("'tub': is not a vessel", "sampling.heel asks", "sampling.residue asks", "a remixed control is to be mixed",
                 "the smallest design of the grid", "analytes.Water.margin_reason"):
        assert sum(said in line for line in told) == 1, (said, told)


TOLERANCE = '''margin_reason = "half of the blender's tolerance"'''


@pytest.mark.few(2)
@pytest.mark.parametrize(("old", "new"), [
    (TOLERANCE, 'margin_reason = "write here why a smaller difference does not matter"'),
    (TOLERANCE, 'margin_reason = "why?"'),
    ('responsible = "lubrication engineer"', 'responsible = "the role that answers for the decision"'),
    ('"bottle broken on the way"', '"tbd"'),
    *(('"bottle broken on the way"', f'"{text}"') for text in (
        "to be filled in", "write why", "see above", "to follow", "why a smaller difference does not matter")),
])
@pytest.mark.few(1)
def test_placeholders_are_refused_at_the_lock_and_listed(tmp_path, old, new) -> None:
    root = folder(tmp_path / "s", stock=stock_rows(12))
    planned(root)
    assert check_folder(root).sentence().endswith("; no results taken in yet")
    assert old in STUDY_TOML
    (root / "study.toml").write_text(STUDY_TOML.replace(old, new))
    (told,) = faults_of(root)
    assert "is a placeholder: nobody has written this yet" in told
    with pytest.raises(BadInput, match="is a placeholder"):
        lock_folder(root)
    assert not (root / "plan/plan.lock").exists()
    (root / "study.toml").write_text(STUDY_TOML)
    assert lock_folder(root).state == "locked"


@pytest.mark.slow
def test_a_study_whose_samples_table_was_removed_to_plan_anew_can_be_checked(tmp_path) -> None:
    root = folder(tmp_path / "s", stock=stock_rows(12))
    assert check_folder(root).sentence() == "no fault found; not planned yet"
    planned(root)
    (root / "plan/samples.csv").unlink()
    assert check_folder(root).sentence() == "no fault found; not planned yet"
    planned(root)
    lock_folder(root)
    (root / "plan/samples.csv").unlink()
    assert any("plan/samples.csv" in line for line in faults_of(root))  # locked: then it is lost, not still to come


def test_check_and_plan_tell_which_actions_the_report_will_withhold(tmp_path, capsys) -> None:
    """Own words without a declaration, before any money is spent: the reason and what to write, and exit code 0."""
    root = folder(tmp_path / "s", stock=stock_rows(12))
    text = STUDY_TOML.replace('mixing_procedure = "WI-3, tumbling of pails"\n', "")
    text = text.replace("residue = true", "residue = false")
    text = text.replace('"remixed control", ', "")
    (root / "study.toml").write_text('actions = { stratified = "Frobnicate it.", homogeneous = "Use as it stands." }\n' + text)
    assert main(["check", str(root)]) == 0
    out = capsys.readouterr().out
    assert out.count("the report will withhold") == 1
    assert "[actions] stratified: the report will withhold \u201cFrobnicate it.\u201d: study.toml does not say" in out
    assert "Write stratified = { do = \"...\", asks_for = \"...\" }" in out


def spoilt(root: Path) -> Path:
    """The demo tote with a result of a bottle that is none of the study's."""
    raw = next((copy_demo("tote", root) / "raw").glob("*.csv"))
    lines = raw.read_text().splitlines()
    raw.write_text("\n".join([*lines, lines[-1].replace(lines[-1].split(",")[0], "ZZZZ", 1)]) + "\n")
    return root


@pytest.mark.slow
def test_rows_that_the_report_would_reject_end_check_with_its_exit_code(tmp_path, capsys) -> None:
    assert main(["check", str(copy_demo("tote", tmp_path / "sound"))]) == 0
    root = spoilt(tmp_path / "tote")
    before = tree(root)
    assert main(["check", str(root)]) == 8
    assert tree(root) == before
    assert main(["intake", str(root)]) == 8
    assert "ZZZZ" in capsys.readouterr().err
    (root / "intake.toml").unlink()
    assert main(["check", str(root)]) == main(["report", str(root)]) == 2
    assert capsys.readouterr().err.count("intake.toml") >= 2


@pytest.mark.slow
def test_check_says_that_tidy_is_not_what_the_raw_files_give_now(tmp_path, capsys) -> None:
    root = copy_demo("tote", tmp_path / "tote")
    assert main(["intake", str(root)]) == main(["check", str(root)]) == 0
    assert "stale" not in capsys.readouterr().out
    raw = next((root / "raw").glob("tote_*.csv"))
    raw.write_bytes(raw.read_bytes().replace(b"690", b"691"))
    assert main(["check", str(root)]) == 0
    assert "18 results in tidy/, which is stale: raw/ and intake.toml now give 18 results" in capsys.readouterr().out
    assert main(["intake", str(root)]) == main(["check", str(root)]) == 0
    assert "stale" not in capsys.readouterr().out


@pytest.mark.slow
def test_a_reason_given_at_the_command_lasts_for_that_run_only(tmp_path, capsys) -> None:
    root = spoilt(tmp_path / "tote")
    assert main(["intake", str(root), "--accept", "why"]) == 2
    assert "says no reason" in capsys.readouterr().err
    assert main(["intake", str(root), "--accept", "a bottle of another customer"]) == 0
    out = capsys.readouterr().out
    assert "accepted for this run only" in out
    assert main(["intake", str(root)]) == 8  # the next run asks again
    keep = "\n".join(line.strip() for line in out.splitlines() if line.startswith("  accept_"))
    (root / "intake.toml").write_text(keep + "\n" + (root / "intake.toml").read_text())
    assert main(["intake", str(root)]) == 0  # what was printed is what keeps it


@pytest.mark.slow
def test_factors_that_cannot_be_told_apart_are_named_and_are_no_fault(tmp_path, capsys) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    planned(root)
    assert main(["check", str(root)]) == 0
    assert "run and depth" not in capsys.readouterr().out
    made = pd.read_csv(root / "plan/submission.csv", dtype=str, keep_default_na=False)
    depth = pd.read_csv(root / "plan/key.csv", dtype=str, keep_default_na=False).set_index("sample")["depth"]
    made["run"] = [{"lower": "R2"}.get(depth[s], "R1") for s in made["sample"]]
    made.to_csv(root / "plan/submission.csv", index=False, lineterminator="\n")
    containers = pd.read_csv(root / "plan/containers.csv", dtype=str, keep_default_na=False)
    containers["store"] = ["hut" if lot == containers["lot"].min() else "valley" for lot in containers["lot"]]
    containers.to_csv(root / "plan/containers.csv", index=False, lineterminator="\n")
    assert main(["check", str(root)]) == 0
    told = capsys.readouterr().out
    assert "run and depth cannot be told apart at all: one explains 100 % of the spread of the other" in told
    assert "lot and store cannot be told apart" in told


@pytest.mark.slow
def test_what_is_better_known_before_money_is_spent_is_said_and_levels_of_few_containers_always(tmp_path, capsys) -> None:
    root = copy_demo("slip", tmp_path / "slip")
    table = pd.read_csv(root / "plan/containers.csv", dtype=str, keep_default_na=False)
    table["cap"] = ["cork", *["lid"] * (len(table) - 1)]
    table.to_csv(root / "plan/containers.csv", index=False, lineterminator="\n")
    text = (root / "study.toml").read_text()
    (root / "study.toml").write_text(text.replace('fixed = [', 'fixed = ["cap", ').replace(
        "[factors]", "[factors]\ncolumns = { cap = { levels = [\"cork\", \"lid\"] } }"))
    (root / "plan/plan.lock").unlink(missing_ok=True)
    assert main(["check", str(root)]) == 0
    early = capsys.readouterr().out
    assert "[small groups] cap: fewer than 4 containers in cork (1)" in early
    assert "[profiles not guessed] sd_container_depth is not given for boron (borax)" in early
    assert main(["intake", str(root)]) == 0
    capsys.readouterr()
    assert main(["check", str(root)]) == 0
    late = capsys.readouterr().out
    assert "[small groups] cap" in late
    assert "[profiles not guessed]" not in late


@pytest.mark.slow
def test_a_repeatability_far_below_the_published_one_is_asked_about(tmp_path, capsys) -> None:
    root = copy_demo("tote", tmp_path / "tote")
    assert main(["check", str(root)]) == 0
    assert "publishes" not in capsys.readouterr().out
    text = (root / "study.toml").read_text()
    for percent, told in ((0.1, True), (4, False)):
        own = f'repeatability = {{ r_percent = {percent}, source = "ASTM D5185-18, precision tables" }}\n'
        (root / "study.toml").write_text(text.replace('method_key = "ASTM D5185-18"\n', f'method_key = "ASTM D5185-18"\n{own}'))
        assert main(["check", str(root)]) == 0
        out = capsys.readouterr().out
        assert ("phosphorus: study.toml states r = 0.10 %, and ASTM D5185-18 publishes 10 %" in out) is told


@pytest.mark.slow
def test_a_tool_that_goes_with_depth_and_a_column_of_one_value_are_named(tmp_path, capsys) -> None:
    root = copy_demo("slip", tmp_path / "slip")
    for name, column, values in (("containers", "cap", None), ("samples", "hose", {"top": "short"})):
        table = pd.read_csv(root / f"plan/{name}.csv", dtype=str, keep_default_na=False)
        table[column] = "lid" if values is None else [values.get(d, "long") for d in table["depth"]]
        table.to_csv(root / f"plan/{name}.csv", index=False, lineterminator="\n")
    text = (root / "study.toml").read_text()
    columns = '{ cap = { levels = ["cork", "lid"] }, hose = { table = "samples", levels = ["short", "long"] } }'
    (root / "study.toml").write_text(text.replace("fixed = [", 'fixed = ["cap", "hose", ').replace(
        "[factors]", f"[factors]\ncolumns = {columns}"))
    (root / "plan/plan.lock").unlink(missing_ok=True)
    assert main(["check", str(root)]) == 0
    told = capsys.readouterr().out
    assert "depth and hose can only partly be told apart" in told or "depth and hose cannot be told apart" in told
    assert "[one value] cap: all containers are called lid" in told


FLUID = """
[fluid]
density_kg_m3 = 895
viscosity_mm2_s_at_40c = 220
viscosity_mm2_s_at_100c = 19
store_temperature_c = { yrad = 8 }
"""
LISTED: dict[str, tuple[str, dict[str, str], str]] = {
    "lying in an upright shape": ("", {"orientation": "lying"}, "whose shape is given as upright"),
    "a misspelt store": (FLUID, {}, "is no store of"),
    "80 for 80 cm": ("", {"liquid_height_mm": "30", "fill_volume_l": ""}, "is unusual: commonly 54 to 360 mm"),
    "filled in years to come": ("", {"filled_on": "2096-01-12"}, "is a day that has not come yet"),
    "mixed before it was filled": ("", {"last_mixed_on": "1999-01-12"}, "lies before it was filled"),
    "one container meant, several opened": ("", {"scope": "container"}, "but 6 are to be opened"),
}


@pytest.mark.few(1)
@pytest.mark.parametrize("listed", ["stock", "containers"])
@pytest.mark.parametrize("case", LISTED)
def test_both_lists_of_containers_are_checked_by_the_same_rules_and_nothing_is_left(tmp_path, case, listed, capsys) -> None:
    more, cells, said = LISTED[case]
    own = {k: v for k, v in cells.items() if k != "scope"}
    rows = [{**r, **own} for r in stock_rows(12 if listed == "stock" else 6)]
    toml = STUDY_TOML.replace("alpha = 0.05", 'alpha = 0.05\nscope = "container"') if "scope" in cells else STUDY_TOML
    root = folder(tmp_path / "s", **{listed: rows}, toml=toml + more)
    before = tree(root)
    assert main(["check", str(root)]) == 2
    first = capsys.readouterr().err
    assert main(["plan", str(root)]) == 2
    assert said in first
    assert said in capsys.readouterr().err
    assert tree(root) == before


def test_containers_to_be_filled_for_planned_visits_may_lie_ahead(tmp_path) -> None:
    visits = '\n[time]\ncontainers = "same"\nvisits = ["2096-03-01", "2096-09-01"]\n'
    rows = [{**r, "filled_on": "2096-01-12"} for r in stock_rows(12)]
    root = folder(tmp_path / "s", stock=rows, toml=STUDY_TOML + visits)
    assert check_folder(root)


@pytest.mark.slow
def test_a_store_of_the_stock_from_which_none_was_chosen_is_not_misspelt(tmp_path) -> None:
    rows = [{**r, "store": "B" if i else "A", "lot": ""} for i, r in enumerate(stock_rows(12))]
    toml = (STUDY_TOML + FLUID.replace("yrad = 8", "A = 8, B = 9")).replace("containers = 6", "containers = 1").replace(
        '["remixed control", "duplicate", "check fluid", "blank"]', "[]")
    root = folder(tmp_path / "s", stock=rows, toml=toml)
    planned(root)
    assert len(set(pd.read_csv(root / "plan/containers.csv")["store"])) == 1
    assert check_folder(root)


@pytest.mark.few(1)
@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt])
def test_a_plan_whose_pages_fail_leaves_nothing(tmp_path, failure, monkeypatch) -> None:
    from studykit.commands import plan as pages

    def broken(_: object, made: dict[str, Path], *__: object, **___: object) -> None:
        made["01-design"].parent.mkdir(parents=True)
        raise failure

    monkeypatch.setattr(pages, "run_notebooks", broken)
    root = folder(tmp_path / "s", stock=stock_rows(12))
    (root / "plan/sheets").mkdir()
    (root / "plan/sheets/bench.pdf").write_text("of an older plan", encoding="utf-8")
    before = tree(root)
    with pytest.raises(failure):
        pages.make_plan_pages(root, lambda _: None)
    assert {k: v for k, v in tree(root).items() if not k.startswith(".studykit")} == before
    assert not (root / "plan/pages.part").exists()


@pytest.mark.slow
def test_a_plan_that_safety_no_longer_clears_is_told_by_check_and_plan(tmp_path, capsys) -> None:
    root = folder(tmp_path / "s", stock=stock_rows(12))
    planned(root)
    assert not [n for n in check_folder(root).notes if "BARRED" in n]
    text = (root / "study.toml").read_text().replace('free_water = "no"', 'free_water = "yes"')
    (root / "study.toml").write_text(text)
    with pytest.raises(BadInput, match="printed before"):
        check_folder(root)
    (root / PROFILE).unlink()  # of an older kit, which left no record of the profile
    told = check_folder(root)
    notes = [n for n in told.notes if n.startswith("BARRED: the plan holds")]
    assert [n.split(",")[0].split("holds ")[1] for n in notes] == [
        "7 heels", "7 stirred rests", "5 bottles of remixed controls"]
    assert all("free water lies in it" in n for n in notes)
    assert "the plan holds what [safety] bars now" in told.sentence()
    tables = told.tables
    assert "7 heels, BARRED by [safety], " in outlay(tables.study, tables.containers, tables.samples).text()
    drawn = tables.samples.assign(volume_ml=100.0)
    assert barred_words(tables.study, tables.containers, drawn) == ()
