"""The tables are read and checked together; all faults of all files come at once."""

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.study import tables as schema
from studykit.study.columns import TABLES
from tests.studies import CONTAINERS, HEAD, SAMPLES, definition, results, write_study


def refused(root, **how):
    with pytest.raises(BadInput) as caught:
        schema.load_tables(root, **how)
    return caught.value.faults, str(caught.value)


def test_good_tables_are_typed_and_codes_stay_text(tmp_path):
    t = schema.load_tables(write_study(tmp_path, results_text=results()))
    assert list(t.containers["container"]) == ["007", "1E5", "C3"]
    assert t.containers["liquid_height_mm"].tolist() == [500.0, 510.0, 505.0]
    assert list(t.containers["treatment"]) == ["stored"] * 3
    assert t.results["value"].dtype == float
    assert len(t.results) == 18
    # one year is 12 months of 30.44 days
    assert t.containers["age_months"].iloc[0] == pytest.approx(365 / 30.436875)


def test_faults_of_three_files_come_at_once(tmp_path):
    root = write_study(
        tmp_path, study=definition(alpha=9),
        containers=CONTAINERS.replace("1E5,L1,south,drum,510", "007,L1,south,barrel,tall"),
        samples=SAMPLES.replace("S0u,007,spot,upper,0.83", "S0u,008,spot,upper,8.3"),
        results_text=results("S9x,P,1,mg/kg,,,1,R1,lab.csv,90\n"))
    faults, text = refused(root)
    files = {f.file for f in faults}
    assert files == {"study.toml", "plan/containers.csv", "plan/samples.csv", "tidy/results.csv"}
    lines = [f.line() for f in faults]
    assert any("plan/containers.csv row 3, column liquid_height_mm: 'tall': is not a number" in x for x in lines)
    assert any("has the same key as row 2" in x for x in lines)
    assert any("plan/samples.csv row 2, column height: '8.3': must lie in 0 to 1" in x for x in lines)
    assert any("'008': is not a container of plan/containers.csv" in x for x in lines)
    assert any("'S9x': is not a sample of plan/samples.csv" in x for x in lines)
    assert f"{len(faults)} faults." in text


@pytest.mark.few(6)
@pytest.mark.parametrize(("old", "new", "where", "reason"), [
    ("S0u,P,340", "S0u,Q,340", ("tidy/results.csv", 2, "analyte"), "is not declared in study.toml"),
    ("S0u,P,340,mg/kg", "S0u,P,340,mg/L", ("tidy/results.csv", 2, "unit"), "is not the study's unit for P"),
    ("S0u,P,340", "S0u,P,3\u00b740", ("tidy/results.csv", 2, "value"), "is not a number"),
    ("S0u,P,340", "S0u,P,\u22123", ("tidy/results.csv", 2, "value"), "is not a number"),
    ("S0u,P,340", "S0u,P,-3", ("tidy/results.csv", 2, "value"), "must be above zero for a margin in per cent or as a factor"),
    ("S0u,P,340", "S0u,P,", ("tidy/results.csv", 2, "value"), "must not be empty"),
    ("S0u,P,340,mg/kg,,", "S0u,P,340,mg/kg,<,", ("tidy/results.csv", 2, "limit"), "must not be empty beside < or >"),
    ("S0u,P,340,mg/kg,,,1", "S0u,P,340,mg/kg,,,1.5", ("tidy/results.csv", 2, "replicate"), "is not a whole number"),
    ("S0u,P,340,mg/kg,", "S0u,P,340,mg/kg,~", ("tidy/results.csv", 2, "qualifier"), "is not one of"),
    (",R1,lab.csv,2", ",R1,lab.csv", ("tidy/results.csv", 2, ""), "has 9 cells where the header has 10"),
])
def test_faults_of_results(tmp_path, old, new, where, reason):
    assert old in results()
    faults, _ = refused(write_study(tmp_path, results_text=results().replace(old, new, 1)))
    assert any((f.file, f.row, f.column) == where and reason in f.reason for f in faults), [f.line() for f in faults]


def test_the_same_determination_twice_with_another_value(tmp_path):
    faults, _ = refused(write_study(tmp_path, results_text=results("S0u,P,377,mg/kg,,,1,R1,lab.csv,99\n")))
    assert [f.row for f in faults] == [20]
    assert "the same determination, with another value (340.0), as row 2" in faults[0].reason


@pytest.mark.few(6)
@pytest.mark.parametrize(("file", "old", "new", "reason"), [
    ("containers", "lot,store", "lot,lot", "this header occurs twice"),
    ("containers", "vessel,", "vesel,", "is not a known column"),
    ("containers", "2026-01-10,stored", "2024-01-10,stored", "lies before filled_on"),
    ("containers", "2026-01-10,stored", "10.01.2026,stored", "is not a date"),
    ("containers", "2026-01-10,stored", "2026-02-30,stored", "is not a day of the calendar"),
    ("containers", "stored", "boiled", "is not one of"),
    ("containers", "drum,500", "drum,700", "is above the vessel's 600 mm"),
    ("samples", ",spot,", ",dip,", "is not one of"),
    ("samples", "S0u,007", "S0u,", "must not be empty for this kind of sample"),
    ("samples", "upper,0.83", "top,0.83", "is not a depth of study.toml"),
    ("samples", "sample,container", "sample;container", "has 5 cells where"),
])
def test_faults_of_plan_tables(tmp_path, file, old, new, reason):
    texts = {"containers": CONTAINERS, "samples": SAMPLES}
    assert old in texts[file]
    texts[file] = texts[file].replace(old, new, 1)
    faults, _ = refused(write_study(tmp_path, **texts), with_results=False)
    assert any(reason in f.reason for f in faults), [f.line() for f in faults]


def test_a_blank_that_reads_zero_is_no_fault_and_one_below_zero_is(tmp_path):
    samples = SAMPLES + "BL1,,blank" + "," * (SAMPLES.splitlines()[0].count(",") - 2) + "\n"
    for value, faults in ((0, 0), (-1, 1)):
        text = results(f"BL1,P,{value},mg/kg,,,1,R1,lab.csv,99\n")
        root = write_study(tmp_path / str(value), samples=samples, results_text=text)
        assert [f.column for f in schema.check_tables(root)[1]] == ["value"] * faults


def test_heights_upside_down_are_seen(tmp_path):
    upside = SAMPLES.replace("0.83", "0.9x").replace("0.17", "0.83").replace("0.9x", "0.17")
    faults, _ = refused(write_study(tmp_path, samples=upside), with_results=False)
    assert any("should lie below 'upper'" in f.reason for f in faults)


def test_a_fill_volume_gives_the_liquid_height(tmp_path):
    text = CONTAINERS.replace("liquid_height_mm", "fill_volume_l").replace(",500,", ",56.7057,")
    root = write_study(tmp_path, containers=text.replace(",510,", ",56,").replace(",505,", ",57,"))
    heights = schema.load_tables(root, with_results=False).containers["liquid_height_mm"]
    # pi/4 x 3.8^2 dm2 x 5 dm = 56.7057 L
    assert heights.iloc[0] == pytest.approx(500, rel=1e-5)
    faults, _ = refused(write_study(tmp_path, containers=text), with_results=False)
    assert [f.column for f in faults] == ["fill_volume_l", "fill_volume_l"]


def test_shape_faults(tmp_path):
    root = write_study(tmp_path, containers="")
    assert "the file is empty" in refused(root, with_results=False)[1]
    (root / "plan/containers.csv").unlink()
    assert "there is no such file" in refused(root, with_results=False)[1]
    (root / "plan/containers.csv").write_text(CONTAINERS.replace(",", ";"))
    assert "not separated by commas" in refused(root, with_results=False)[1]
    (root / "plan/containers.csv").write_bytes(CONTAINERS.replace("north", "nörd").encode("cp1252"))
    assert "is not UTF-8" in refused(root, with_results=False)[1]
    assert "there is no such folder" in refused(tmp_path / "nowhere")[1]


def test_quoted_line_breaks_keep_the_row_numbers(tmp_path):
    text = CONTAINERS.replace("007,L1,north", '007,L1,"no\nrth"').replace("C3,L2,south,drum,505", "C3,L2,south,drum,x")
    faults, _ = refused(write_study(tmp_path, containers=text), with_results=False)
    assert [(f.row, f.value) for f in faults] == [(5, "x")]


def test_a_byte_order_mark_and_blank_lines_are_no_faults(tmp_path):
    root = write_study(tmp_path, containers="\ufeff" + CONTAINERS + "\n\n")
    assert len(schema.load_tables(root, with_results=False).containers) == 3


def test_typing_is_the_same_for_repeated_and_distinct_texts():
    spec = TABLES[2]
    cells = pd.DataFrame({"sample": ["A"] * 4, "analyte": ["P"] * 4, "value": ["1", "x", "1", "x"], "unit": ["u"] * 4,
                          "qualifier": [""] * 4, "replicate": ["1", "2", "3", "4"], "source_file": ["f"] * 4,
                          "source_row": ["2", "3", "4", "5"], schema.LINE: [2, 3, 4, 5]})
    typed, faults = schema.type_cells(cells, spec)
    assert typed["value"].tolist()[0] == 1.0
    assert [(f.row, f.value) for f in faults] == [(3, "x"), (5, "x")]


def test_the_head_used_here_is_the_contract():
    assert set(HEAD.strip().split(",")) <= set(TABLES[2].names)
