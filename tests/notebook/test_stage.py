"""The open stage: opening reads only; what is recorded, shown and saved goes into the stage's folder."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import studykit.notebook as kit
from studykit.core.files import sha256_of
from studykit.demos.shipped import copy_demo
from studykit.plot.profiles import nothing
from studykit.report.own import copy_notebooks


def contents(root: Path) -> dict[str, str]:
    """Every file under a folder with its hash, and every folder."""
    return {p.relative_to(root).as_posix(): sha256_of(p) if p.is_file() else "folder" for p in root.rglob("*")}


def test_opening_a_stage_of_a_filed_study_changes_nothing(tmp_path):
    root = copy_demo("tote", tmp_path / "study")
    (root / "report/00-study").mkdir(parents=True)
    (root / "report/00-study/numbers.json").write_text('[{"name": "filed", "value": 1}]\n')
    before = contents(root)
    for stem in ("00-study", "01-design", "02-sampling", "03-intake"):
        kit.open_stage(stem, str(root))
    assert contents(root) == before
    kit.open_stage("00-study", str(root)).record("n", 3)
    changed = {k for k, v in contents(root).items() if before.get(k) != v}
    assert changed == {"scratch", "scratch/00-study", "scratch/00-study/numbers.json"}  # by hand: beside, not into, the report
    kit.open_stage("00-study", str(root), str(root / "report")).record("n", 3)
    changed = {k for k, v in contents(root).items() if before.get(k, v) != v}
    assert changed == {"report/00-study/numbers.json"}  # the comparison can fail


def test_a_table_that_was_not_made_by_hand_is_that_of_the_filed_report(tmp_path):
    root = copy_demo("tote", tmp_path / "study")
    (root / "report/04-quality").mkdir(parents=True)
    (root / "report/04-quality/x.csv").write_text("a\nfiled\n")
    stage = kit.open_stage("01-design", str(root))
    assert stage.read_table("04-quality", "x")["a"].tolist() == ["filed"]
    (root / "scratch/04-quality").mkdir(parents=True)
    (root / "scratch/04-quality/x.csv").write_text("a\nby hand\n")
    assert stage.read_table("04-quality", "x")["a"].tolist() == ["by hand"]
    assert (root / "report/04-quality/x.csv").read_text() == "a\nfiled\n"


def test_a_figure_shown_again_keeps_its_number(tmp_path):
    import matplotlib.pyplot as plt

    root = copy_demo("tote", tmp_path / "study")
    stage = kit.open_stage("00-study", str(root))
    for caption, wide in (("first", 1), ("second", 5), ("first", 1)):
        kit.figure(plt.figure(figsize=(wide, 1)), alt="a", caption=caption)
    assert sorted(p.name for p in stage.out.glob("figure-*")) == [
        "figure-1.pdf", "figure-1.png", "figure-1.svg", "figure-2-narrow.svg", "figure-2.pdf", "figure-2.png", "figure-2.svg"]


def test_a_figure_that_is_a_sentence_has_no_caption_that_promises_more(tmp_path, capsys):
    stage = kit.open_stage("00-study", str(copy_demo("tote", tmp_path / "study")))
    kit.figure(nothing("no analyte could be judged"), alt="a", caption="Profiles in full.")
    told = capsys.readouterr().out
    assert "Nothing is drawn here: no analyte could be judged." in told
    assert "Profiles in full" not in told
    assert not list(stage.out.glob("figure-*"))


def test_the_demo_is_not_shown_as_if_it_were_yours(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STUDYKIT_HEADLESS", raising=False)
    root = copy_demo("tote", tmp_path / "place/demo-ropeway")
    monkeypatch.setattr("studykit.notebook.stage._demo_place", lambda: root)
    monkeypatch.setattr("studykit.notebook.stage._demo_root", lambda: root)
    kit.open_stage("00-study")
    assert "This is the invented demo, not a study of yours." in capsys.readouterr().out
    monkeypatch.setenv("STUDYKIT_HEADLESS", "1")
    kit.open_stage("00-study")
    assert "invented demo" not in capsys.readouterr().out


@pytest.mark.parametrize("place", ["notebooks", "report/00-study"])
def test_the_notebooks_of_a_study_that_was_moved_run_over_it(place, tmp_path, monkeypatch):
    """The cells of the first stage, run as Jupyter does: in the folder of the notebook, and with nothing given."""
    root = copy_demo("tote", tmp_path / "first")
    copy_notebooks(root)
    moved = Path(shutil.move(root, tmp_path / "other place"))
    (moved / place).mkdir(parents=True, exist_ok=True)
    monkeypatch.chdir(moved / place)
    cells = json.loads((moved / "notebooks/00-study.ipynb").read_text(encoding="utf-8"))["cells"]
    code = "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "code")
    assert str(tmp_path) not in code
    names: dict[str, object] = {}
    exec(code, names)
    assert names["stage"].root == moved
    assert json.loads((moved / "scratch/00-study/numbers.json").read_text(encoding="utf-8"))
    assert not root.exists()


@pytest.mark.slow
def test_settings_of_figures_that_lie_in_a_folder_have_no_say(tmp_path):
    """matplotlib reads a ``matplotlibrc`` in the folder it is imported in (its manual, Customizing): a sender's would count."""
    (tmp_path / "matplotlibrc").write_text("font.size: 31\naxes.facecolor: red\nlines.linewidth: 9\n")
    copy_demo("tote", tmp_path / "t")
    code = ("import matplotlib as m; before = m.rcParams['font.size']; import studykit.notebook as kit; "
            "kit.open_stage('00-study', 't'); print(before, m.rcParams['font.size'], m.rcParams['axes.facecolor'])")
    said = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, text=True, capture_output=True, check=True).stdout
    assert said.splitlines()[-1] == "31.0 10.0 white"


def test_a_table_shows_analytes_by_their_names_once_and_saves_their_keys(tmp_path, capsys):
    stage = kit.open_stage("00-study", str(copy_demo("slip", tmp_path / "study")))
    frame = pd.DataFrame({"analyte": ["Zircon", "Boron"], "name": ["zircon", "boron (borax)"], "lacks": ["Zircon Boron", ""],
                          "across": ["Boron", "Boron"], "because of": ["Boron, Zircon", "no analyte"],
                          "rule": ["Boron: ppm to mg/kg", "drift: Boron"]})
    kit.table(frame, caption="c", name="t")
    shown = capsys.readouterr().out
    for text in ("zircon, boron (borax)", "boron (borax), zircon", "boron (borax): ppm to mg/kg", "drift: Boron"):
        assert text in shown
    assert "name" not in shown
    assert "Zircon" not in shown
    assert shown.count("Boron") == shown.count("drift: Boron")
    assert stage.read_table("00-study", "t", keep_default_na=False).equals(frame)


def test_a_table_too_long_to_be_shown_is_saved_under_a_number_unless_it_has_a_file(tmp_path, capsys):
    """Of more than 150 rows 40 are shown: where the others lie is said, and shown again it is the same file."""
    stage = kit.open_stage("00-study", str(copy_demo("tote", tmp_path / "study")))
    long = pd.DataFrame({"n": range(200)})
    for caption in ("One", "Two", "One", "In other.csv"):
        kit.table(long, caption=caption)
    kit.table(long.head(150), caption="Short")
    told = capsys.readouterr().out
    assert told.count("the first 40 of 200 rows; all of them in table-1.csv") == 4  # each with its text twin
    assert "all of them in table-2.csv" in told
    assert sorted(p.name for p in stage.out.glob("*.csv")) == ["table-1.csv", "table-2.csv"]
    assert stage.read_table("00-study", "table-2").equals(long)


def test_tables_under_one_caption_do_not_take_each_others_file(tmp_path, capsys):
    stage = kit.open_stage("00-study", str(copy_demo("tote", tmp_path / "study")))
    both = [pd.DataFrame({"n": range(200)}), pd.DataFrame({"n": range(300)})]
    for frame in (*both, both[0]):
        kit.table(frame, caption="Residuals")
    told = capsys.readouterr().out
    assert told.count("of 200 rows; all of them in table-1.csv") == 4
    assert told.count("of 300 rows; all of them in table-2.csv") == 2
    assert [len(stage.read_table("00-study", f"table-{k}")) for k in (1, 2)] == [200, 300]
    assert not (stage.out / "table-3.csv").exists()
