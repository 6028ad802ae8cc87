"""What a later command would stop at is said by ``check``, and before ``plan`` files anything."""

from __future__ import annotations

from pathlib import Path

import pytest
import tomli_w

from studykit.commands.check import check_folder
from studykit.commands.plan import make_plan_pages
from studykit.core.errors import BadInput
from studykit.study.exclusions import read_exclusions
from studykit.study.tables import check_tables, load_tables
from tests.studies import CONTAINERS, definition, results, write_study

STOCK = "".join(line for line in CONTAINERS.replace(",2026-01-10,", ",,").replace(",2026-01-11,", ",,").splitlines(True))


def stock(root: Path, text: str = STOCK, **changes: object) -> Path:
    (root / "plan").mkdir(parents=True)
    (root / "study.toml").write_text(tomli_w.dumps(definition(**changes)), encoding="utf-8")
    (root / "plan/stock.csv").write_text(text, encoding="utf-8")
    return root


def faults(root: Path) -> str:
    try:
        check_folder(root)
    except BadInput as error:
        return str(error)
    return ""


@pytest.mark.parametrize(("text", "changes", "said"), [
    (STOCK + STOCK.splitlines()[-1].replace("C3", "c3") + "\n", {}, "take these codes for one another"),
    (STOCK + "L9,,south,drum,500,2025-01-10,,layered control\n",
     {"factors": {"depths": ["upper", "middle", "lower"], "fixed": ["lot"]}}, "is empty, but study.toml uses it as a factor"),
    (STOCK, {"sampling": {"draw_ml": 130, "bottle_ml": 125}}, "more than the bottle holds"),
])
def test_check_and_plan_refuse_alike_and_nothing_is_filed(tmp_path, text, changes, said) -> None:
    root = stock(tmp_path / "s", text, design={"containers": 3}, **changes)
    assert said in faults(root)
    with pytest.raises(BadInput, match=said):
        make_plan_pages(root, lambda _: None)
    assert sorted(p.name for p in (root / "plan").iterdir()) == ["stock.csv"]


def test_the_day_of_sampling_is_due_when_results_are_there_and_not_before(tmp_path) -> None:
    by_age = {"factors": {"depths": ["upper", "middle", "lower"], "fixed": ["age_months"], "by_depth": ["age_months"]}}
    root = write_study(tmp_path / "s", study=definition(**by_age), containers=STOCK)
    assert load_tables(root, with_results=False).containers["age_months"].isna().all()
    _, late = check_tables(write_study(root, study=definition(**by_age), containers=STOCK, results_text=results()))
    assert {f.column for f in late} == {"age_months"}
    assert all("sampled_on" in f.remedy for f in late)
    _, never = check_tables(write_study(tmp_path / "t", study=definition(**by_age), containers=STOCK.replace("2025-01-10", "")),
                            with_results=False)
    assert [f.remedy for f in never] == ["fill in filled_on"] * 2


def test_a_lock_that_cannot_be_read_and_a_file_for_a_folder_are_said(tmp_path) -> None:
    root = write_study(tmp_path / "s")
    assert faults(root) == ""
    (root / "report").write_text("")
    assert "is a file where the kit keeps a folder" in faults(root)
    (root / "report").unlink()
    (root / "plan/plan.lock").write_text("no JSON")
    assert "plan.lock" in faults(root)


@pytest.mark.few(3)
@pytest.mark.parametrize(("reason", "who", "wrong"), [
    ("outlier", "AB", 1), ("TBD", "AB", 1), ("because", "nobody", 2), ("bottle cracked on the way", "AB", 0),
    ("none", "unknown", 2), ("the bottle leaked", "A. B.", 0),
])
def test_an_exclusion_names_a_cause_and_a_person(tmp_path, reason, who, wrong) -> None:
    root = write_study(tmp_path / "s", results_text=results())
    (root / "plan/exclusions.csv").write_text("sample,analyte,replicate,reason,who,date\n"
                                              f"S0u,P,,{reason},{who},2026-02-01\n", encoding="utf-8")
    tables = load_tables(root)
    found = ()
    try:
        read_exclusions(root, tables.study, tables.results)
    except BadInput as error:
        found = error.faults
    assert len(found) == wrong, found
