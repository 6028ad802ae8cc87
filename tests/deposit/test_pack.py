"""The deposit, held against judges from outside: sha512sum, bagit-python, frictionless, roc-validator, and its own promises."""

from __future__ import annotations

import csv
import importlib.metadata
import io
import json
import os
import shutil
import subprocess
import venv
from pathlib import Path

import bagit
import frictionless
import pytest

from studykit.core.errors import BadInput, RunsDiffer
from studykit.deposit import pack as packing
from studykit.deposit import tables
from studykit.report.manifest import FILE, files_of
from studykit.study.definition import load_study
from tests.deposit.conftest import DAY
from tests.report.filed import filed_tote, rehash

ROC = "roc-validator==0.13.0"
JUDGES = Path(__file__).resolve().parents[2] / "build/judges"


@pytest.mark.slow
def test_the_same_study_gives_the_same_bytes(packed, tmp_path):
    again = packing.pack(filed_tote(), tmp_path / "again.zip", DAY)
    assert again.file.read_bytes() == packed.read_bytes()


def test_a_stranger_checks_it_with_sha512sum(bag):
    told = subprocess.run(["sha512sum", "-c", "--quiet", "manifest-sha512.txt", "tagmanifest-sha512.txt"], cwd=bag,
                          capture_output=True, text=True, check=False)
    assert (told.returncode, told.stdout, told.stderr) == (0, "", "")


@pytest.mark.filterwarnings("ignore:'count' is passed as positional argument")  # bagit 1.9 under Python 3.13
def test_it_is_a_bag(bag):
    judge = bagit.Bag(str(bag))
    assert judge.validate()
    assert judge.info["Bagging-Date"] == DAY.isoformat()
    assert judge.algorithms == ["sha512"]


@pytest.mark.filterwarnings("ignore:'count' is passed as positional argument")  # bagit 1.9 under Python 3.13
def test_bagit_notices_a_changed_file(bag, tmp_path):
    other = Path(shutil.copytree(bag, tmp_path / "b"))
    with (other / "data/rederive.R").open("a") as out:
        out.write("\n")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(other)).validate()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of frictionless and what it imports
def test_every_table_is_as_its_descriptor_says(bag):
    report = frictionless.validate(str(bag / "data/datapackage.json"))
    assert [(t.name, [e.message for e in t.errors]) for t in report.tasks if not t.valid] == []
    assert report.valid
    assert report.stats["tasks"] > 70


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_frictionless_notices_a_cell_of_another_type(bag, tmp_path):
    data = Path(shutil.copytree(bag, tmp_path / "b")) / "data"
    path = data / "study/tidy/results.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",46.", ",forty-six.", 1), encoding="utf-8")
    assert not frictionless.validate(str(data / "datapackage.json")).valid


def test_every_csv_of_plan_tidy_and_stages_is_described_column_by_column(bag):
    data = bag / "data"
    told = json.loads((data / "datapackage.json").read_text(encoding="utf-8"))
    there = {p.relative_to(data).as_posix() for f in ("plan", "tidy", "report") for p in (data / "study" / f).rglob("*.csv")}
    assert {r["path"] for r in told["resources"]} == there
    assert told["$schema"] == tables.PROFILE
    unknown = [(r["path"], f["name"]) for r in told["resources"] for f in r["schema"]["fields"]
               if f["description"].casefold().rstrip(".") == f["name"].replace("_", " ").casefold()]
    assert unknown == []
    for r in told["resources"]:
        head = next(csv.reader(io.StringIO((data / r["path"]).read_text(encoding="utf-8-sig"))))
        assert [f["name"] for f in r["schema"]["fields"]] == head
        assert r["description"]
    kinds = {f["name"]: f["type"] for r in told["resources"] if r["path"].endswith("tidy/results.csv")
             for f in r["schema"]["fields"]}
    assert (kinds["sample"], kinds["value"], kinds["qualifier"]) == ("string", "number", "string")


def test_columns_of_all_stage_tables_have_a_meaning():
    known = tables.known()["columns"]
    assert all(len(v) == 2 and v[1] for v in known.values())
    assert tables.meaning_of("report/05-model/x.csv", "no such column") == ("", "no such column")
    assert tables.meaning_of("report/05-model/contrasts.csv", "low")[0] == "as in the column unit"


@pytest.mark.parametrize(("cells", "kind"), [(["1", "2"], "integer"), (["1", "2.5"], "number"), (["007", "1"], "string"),
                                              (["inf", "3.0"], "number"), (["True", "False"], "boolean"), ([], "any"),
                                              (["2026-01-02"], "date"), (["1e-05", "2"], "number"), (["1", "x"], "string")])
def test_types_follow_what_a_column_holds(cells, kind):
    assert tables.type_of("x", cells, None) == kind
    assert tables.type_of("sample", cells, None) == "string"


def _judge() -> str:
    """The Python of an environment of its own that has the RO-Crate validator; skips where it cannot be had."""
    python = JUDGES / "bin/python"
    if not (JUDGES / "done").exists():
        shutil.rmtree(JUDGES, ignore_errors=True)
        try:
            venv.create(JUDGES, with_pip=True)
            subprocess.run([str(python), "-m", "pip", "install", "-q", ROC], check=True, capture_output=True, timeout=400)
        except (subprocess.SubprocessError, OSError) as error:
            pytest.skip(f"the RO-Crate validator cannot be installed here: {error}")
        (JUDGES / "done").touch()
    return str(python)


@pytest.mark.slow
def test_it_is_an_ro_crate_with_a_process_run(bag, tmp_path):
    python, judge = _judge(), Path(__file__).with_name("crate_judge.py")
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    told = subprocess.run([python, str(judge), str(bag / "data")], capture_output=True, text=True, env=environment, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    assert "REQUIRED" not in told.stdout
    assert "checked ro-crate-1.2 173" in told.stdout
    broken = Path(shutil.copytree(bag / "data", tmp_path / "data"))
    crate = json.loads((broken / "ro-crate-metadata.json").read_text(encoding="utf-8"))
    crate["@graph"][1].pop("license")
    (broken / "ro-crate-metadata.json").write_text(json.dumps(crate), encoding="utf-8")
    again = subprocess.run([python, str(judge), str(broken)], capture_output=True, text=True, env=environment, check=False)
    assert again.returncode == 1
    assert "REQUIRED" in again.stdout


def test_nothing_of_the_filed_study_is_left_out(bag):
    held = {p.relative_to(bag / "data/study").as_posix() for p in (bag / "data/study").rglob("*") if p.is_file()}
    found = files_of(filed_tote())
    assert held == {p.relative_to(filed_tote()).as_posix() for part in found.values() for p in part} | {FILE}


@pytest.mark.slow
def test_defaults_are_said_and_a_declared_licence_is_taken(tmp_path):
    notes = packing.defaults(load_study(filed_tote()))
    assert [n.split(" ")[1] for n in notes] == ["licence", "authors", "citation"]
    root = Path(shutil.copytree(filed_tote(), tmp_path / "s"))
    with (root / "study.toml").open("a", encoding="utf-8") as out:
        out.write('\n[deposit]\nlicence = "CC-BY-4.0"\nauthors = ["A. Invented"]\ncitation = "Invented, A.: a tote. 2026."\n')
    rehash(root)
    made = packing.deposit(root, load_study(root), DAY)
    crate = json.loads(made["ro-crate-metadata.json"])["@graph"]
    assert crate[1]["license"] == {"@id": "https://spdx.org/licenses/CC-BY-4.0"}
    assert "license: \"CC-BY-4.0\"" in made["CITATION.cff"].decode()
    assert packing.defaults(load_study(root)) == ()


def test_a_folder_that_is_not_as_filed_is_not_packed(tmp_path):
    root = Path(shutil.copytree(filed_tote(), tmp_path / "s"))
    (root / "tidy/results.csv").write_text("x\n", encoding="utf-8")
    with pytest.raises(RunsDiffer, match="nothing was packed"):
        packing.pack(root, tmp_path / "x.zip", DAY)
    assert not (tmp_path / "x.zip").exists()


def test_a_file_that_stands_there_is_not_overwritten(tmp_path):
    (tmp_path / "x.zip").write_text("mine")
    with pytest.raises(BadInput, match="stands there already"):
        packing.pack(filed_tote(), tmp_path / "x.zip", DAY)
    assert (tmp_path / "x.zip").read_text() == "mine"


@pytest.mark.slow
def test_what_stands_beside_the_study_is_made_again_and_compared(bag, tmp_path):
    assert packing.differences(bag) == ([], [])
    other = Path(shutil.copytree(bag, tmp_path / "b"))
    script = other / "data/rederive.R"
    script.write_text(script.read_text().replace("1e-6", "1e6", 1))
    (other / "data/letter.txt").write_text("hello")
    rows, notes = packing.differences(other)
    assert [(r["what"], r["re-executed"]) for r in rows] == [
        ("letter.txt", "not made by the kit"), ("rederive.R", "other")] or notes
    (other / "data/ro-crate-metadata.json").write_text("[]")
    assert packing.differences(other)[0][0]["filed"] == "is malformed"


def test_pins_are_exact():
    lines = packing.pins().splitlines()
    assert lines[0].startswith("# studykit ")
    assert all("==" in x for x in lines[1:])
    assert f"numpy=={importlib.metadata.version('numpy')}" in lines
    assert any(x.startswith("jupyterlab==") for x in lines)
    assert not [x for x in lines if x.startswith(("pytest==", "ruff==", "mypy==", "hypothesis==", "studykit=="))]


@pytest.mark.slow
@pytest.mark.parametrize(("line", "why"), [
    ("evil-package @ http://127.0.0.1:9/evil.whl", "NAME==VERSION and nothing else"), ("-r other.txt", "NAME=="),
    ("--index-url http://127.0.0.1:9/", "NAME=="), ("evil-package==1.0", "no package that this kit needs"),
    ("numpy==2.1.0 # x", "NAME=="), ("", "NAME=="), ("numpy==0.0.1", "a package once"), ("NumPy==0.0.1", "a package once")])
def test_pins_name_only_what_the_kit_needs(line, why):
    """Whoever repeats the study installs from that list."""
    assert packing.pin_differences(packing.pins()) == ([], [])
    rows, notes = packing.pin_differences(f"{packing.pins()}{line}\n")
    assert [(r["filed"], r["re-executed"].startswith(why)) for r in rows] == [(line, True)]
    assert notes == []
    older = packing.pins().replace(f"numpy=={importlib.metadata.version('numpy')}", "numpy==2.1.0")
    assert packing.pin_differences(older) == ([], ["requirements.txt: 1 package has another version here"])
    assert packing.pin_differences("x\n" + packing.pins().partition("\n")[2])[0][0]["what"] == "requirements.txt line 1"
