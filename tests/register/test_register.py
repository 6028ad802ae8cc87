"""The register of a folder of studies: what it says of each, what it reads again, and what bad folders cost."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import studykit as sk
from studykit.commands.cli import main
from studykit.core.errors import BadInput
from studykit.register import write_register
from studykit.register.parallel import each
from studykit.report.manifest import FILE
from tests.many_studies import file_it, lay, truth_of
from tests.posix import posix


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three filed studies and one that is not, of one analyte or two."""
    root, rng = tmp_path_factory.mktemp("many") / "studies", np.random.default_rng(1)
    for k, place in enumerate(("north/first", "north/second", "south/third")):
        lay(root / place, k, [truth_of("P", rng), *([truth_of("S", rng)] if k else [])], containers=5, day=f"202{4 + k}-01-10")
    lay(root / "open", 9, [truth_of("P", rng)], containers=4, filed=False)
    return root


@pytest.fixture
def studies(laid: Path, tmp_path: Path) -> Path:
    """A copy, free to be tampered with, with the times of the files."""
    return Path(shutil.copytree(laid, tmp_path / "studies"))


def later(root: Path) -> None:
    """Let the last change of every file lie well before now, as in a register of yesterday."""
    for path in root.rglob("*"):
        os.utime(path, (1e9, 1e9))


def states(studies: Path, to: Path, **options: object) -> dict[str, str]:
    made = write_register(studies, to, **options)  # type: ignore[arg-type]
    return dict(zip(made.studies["study"], made.studies["state"], strict=True))


def test_each_line_is_what_the_study_itself_says(studies: Path, tmp_path: Path) -> None:
    """Words of ``sk.open(...).verdict()``; lowest against uppermost by scipy.stats.ttest_1samp over containers."""
    made = write_register(studies, tmp_path / "register")
    assert list(made.studies["study"]) == ["north/first", "north/second", "open", "south/third"]
    assert list(made.studies["state"]) == ["as filed", "as filed", "not filed", "as filed"]
    for study, own in made.analytes.groupby("study"):
        table = sk.open(studies / str(study))
        assert dict(zip(own["analyte"], own["word"], strict=True)) == table.verdict().final_words()
        assert own.set_index("analyte").loc["P", "margin"] == "±5 %"
        rows = table.tidy("P").groupby(["container", "depth"], observed=True)["y"].mean().unstack()
        apart = (rows["lower"] - rows["upper"]).to_numpy()
        span = stats.ttest_1samp(apart, 0).confidence_interval(0.95)
        told = own.set_index("analyte").loc["P", ["lowest - uppermost", "its low", "its high"]].to_numpy(float)
        assert told == pytest.approx(100 * np.expm1([apart.mean(), span.low, span.high]), rel=1e-9)
        assert own["containers"].iloc[0] == len(apart)
    on_disk = pd.read_csv(tmp_path / "register/analytes.csv")
    assert list(on_disk["date"].unique()) == ["2024-01-10", "2025-01-10", "2026-01-10"]
    assert on_disk["age from"].iloc[0] == pytest.approx(12, abs=0.1)
    assert on_disk["lots"].iloc[0] == "L1, L2"


@pytest.mark.slow
def test_only_what_changed_is_read_again(studies: Path, tmp_path: Path) -> None:
    to = tmp_path / "register"
    later(studies)
    first = write_register(studies, to)
    assert len(first.register.read) == 4
    assert write_register(studies, to).register.read == ()
    results = studies / "north/first/tidy/results.csv"
    os.utime(results, (2e9, 2e9))  # other times, the same bytes
    assert write_register(studies, to).register.read == ()
    text = results.read_text(encoding="utf-8").splitlines()
    cells = text[1].split(",")
    cells[2] = str(round(float(cells[2]) * 1.3, 4))
    results.write_text("\n".join([text[0], ",".join(cells), *text[2:]]) + "\n", encoding="utf-8")
    again = write_register(studies, to)
    assert again.register.read == ("north/first",)
    assert again.studies.set_index("study").loc["north/first", "state"] == "not as filed"
    assert "tidy/results.csv" in again.altered[0]
    assert len(write_register(studies, to, fresh=True).register.read) == 4


@pytest.mark.slow
def test_a_change_within_the_same_tick_of_the_clock_is_seen(studies: Path, tmp_path: Path) -> None:
    """Bytes of one size and times put back: the times alone would say that nothing changed."""
    to, path = tmp_path / "register", studies / "open/study.toml"
    write_register(studies, to)
    before = path.stat()
    path.write_text(path.read_text(encoding="utf-8").replace("Invented study open", "Invented study shut"), encoding="utf-8")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    made = write_register(studies, to)
    assert made.register.read == ("open",)
    assert made.studies.set_index("study").loc["open", "title"] == "Invented study shut"


@pytest.mark.slow
def test_a_study_that_is_gone_is_said_until_it_may_be_forgotten(studies: Path, tmp_path: Path) -> None:
    to = tmp_path / "register"
    write_register(studies, to)
    shutil.rmtree(studies / "north/first")
    for _ in range(2):
        made = write_register(studies, to)
        assert [t.split(":")[:2] for t in made.lacking] == [["north/first", " gone"]]
        assert "north/first" in set(made.analytes["study"])
    with pytest.raises(BadInput, match="lies there, and is not forgotten"):
        write_register(studies, to, forget=["open"])
    assert write_register(studies, to, forget=["north/first"]).lacking == ()
    (studies / "open").rename(studies / "closed")
    moved = write_register(studies, to)
    assert moved.lacking == ()
    assert moved.register.notes == ("open: lies in closed now",)


@pytest.mark.slow
def test_another_folder_does_not_empty_the_register(studies: Path, laid: Path, tmp_path: Path) -> None:
    write_register(studies, tmp_path / "register")
    kept = (tmp_path / "register/index.json").read_bytes()
    with pytest.raises(BadInput, match="none of the 4 studies that this register knows"):
        write_register(laid / "north", tmp_path / "register")
    assert (tmp_path / "register/index.json").read_bytes() == kept


@pytest.mark.slow
def test_of_copies_one_counts(studies: Path, tmp_path: Path) -> None:
    shutil.copytree(studies / "north/first", studies / "again")
    near = shutil.copytree(studies / "north/second", studies / "corrected")
    path = near / "tidy/results.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*rows[:-3], *(r.replace(",mg/kg,", "1,mg/kg,", 1) for r in rows[-3:])]) + "\n", encoding="utf-8")
    made = write_register(studies, tmp_path / "register").studies.set_index("study")
    assert list(made.index[made["state"] == "copy"]) == ["corrected", "north/first"]
    assert made.loc["corrected", "told"] == "has most results in common with north/second, which counts in its place"
    assert made.loc["north/first", "told"] == "has all results in common with again, which counts in its place"


@posix
def test_bad_folders_cost_nobody_else(studies: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A loop of links, a pipe, a broken definition, an older manifest, a study without results: one line each."""
    (studies / "loop").symlink_to(studies)
    (studies / "new").mkdir()
    shutil.copy(studies / "open/study.toml", studies / "new/study.toml")
    for name, text in (("broken", "title = "), ("older", (studies / "open/study.toml").read_text() + "\n[old_part]\nx = 1\n")):
        (studies / name).mkdir()
        (studies / name / "study.toml").write_text(text, encoding="utf-8")
    shutil.copytree(studies / "north/second", studies / "piped")
    (studies / "piped/tidy/results.csv").unlink()
    os.mkfifo(studies / "piped/tidy/results.csv")
    manifest = studies / "north/first" / FILE
    data = json.loads(manifest.read_text(encoding="utf-8"))
    manifest.write_text(json.dumps({**data, "schema": "studykit-manifest-1"}), encoding="utf-8")
    assert main(["register", str(studies), "--to", str(tmp_path / "register"), "--workers", "1"]) == 2
    said = capsys.readouterr()
    made = pd.read_csv(tmp_path / "register/studies.csv", keep_default_na=False).set_index("study")
    assert dict(made["state"]) == {
        "broken": "not readable", "new": "no results", "north/first": "not as filed", "north/second": "as filed",
        "older": "not readable", "open": "not filed", "piped": "not readable", "south/third": "as filed"}
    assert "another kind of manifest" in made.loc["north/first", "told"]
    assert "old_part" in made.loc["older", "told"]
    assert "pipe" in made.loc["piped", "told"]
    assert "loop: is a link and was not followed" in said.out
    assert "Traceback" not in said.err
    assert [line.split(":")[0] for line in said.err.splitlines() if "not readable" in line] == ["broken", "older", "piped"]
    page = (tmp_path / "register/register.html").read_text(encoding="utf-8")
    assert "loop: is a link" in page
    assert "older: not readable" in page


@pytest.mark.slow
@posix
def test_a_name_that_is_no_text_is_said(studies: Path, tmp_path: Path) -> None:
    os.mkdir(os.fsencode(studies) + b"/old-\xff")
    made = write_register(studies, tmp_path / "register")
    assert made.register.notes == ("old-(U+DCFF): its name is no text (UTF-8), so it was not entered; rename it",)
    assert len(made.studies) == 4


@pytest.mark.slow
def test_exit_codes_and_facts(studies: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    to = str(tmp_path / "register")
    assert main(["register", str(studies), "--to", to]) == 0
    (studies / "north/first/raw").mkdir()
    (studies / "north/first/raw/more.csv").write_text("later\n", encoding="utf-8")
    capsys.readouterr()
    assert main(["--json", "register", str(studies), "--to", to]) == 7
    told = json.loads(capsys.readouterr().out)
    assert told["studies"] == {"as filed": 2, "not as filed": 1, "not filed": 1}
    assert told["read"] == 1
    assert main(["register", str(tmp_path / "nowhere"), "--to", to]) == 2
    assert main(["register", str(studies / "open"), "--to", to]) == 2
    assert main(["register", str(studies), "--to", str(studies / "open/register")]) == 2


@pytest.mark.slow
def test_a_register_within_the_folder_is_no_study(studies: Path) -> None:
    made = write_register(studies, studies / "register")
    assert len(write_register(studies, studies / "register").studies) == len(made.studies) == 4


def test_what_is_said_of_studies_is_checked(studies: Path, tmp_path: Path) -> None:
    names = studies / "register.toml"
    names.write_text('[all]\nlaboratory = "works"\n[studies."north/first"]\nfluid = "gear oil"\npackage = "pail"\n')
    made = write_register(studies, tmp_path / "register").studies.set_index("study")
    assert list(made["laboratory"]) == ["works"] * 4
    assert list(made.loc["north/first", ["fluid", "package"]]) == ["gear oil", "pail"]
    assert list(made.loc["open", ["fluid", "package"]]) == ["", "drum"]
    names.write_text('[all]\nlab = "works"\n[studies."nort/first"]\nfluid = 3\n[other]\n')
    with pytest.raises(BadInput) as found:
        write_register(studies, tmp_path / "register")
    assert [(f.column, f.row) for f in found.value.faults] == [
        ("other", 5), ("all.lab", 2), ("studies.nort/first.fluid", 4), ("studies.nort/first", 3)]


@pytest.mark.slow
def test_a_damaged_index_is_made_anew(studies: Path, tmp_path: Path) -> None:
    to = tmp_path / "register"
    write_register(studies, to)
    (to / "index.json").write_text('{"schema": "studykit-register-1", "made by": "x", "studies": [1]}', encoding="utf-8")
    assert len(write_register(studies, to).register.read) == 4


@pytest.mark.slow
def test_several_processes_give_the_same_register(studies: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    for k in range(10):
        lay(studies / f"more-{k}", 20 + k, [truth_of("P", rng)], containers=3, filed=False)
    texts = []
    for workers in (1, 2):
        write_register(studies, tmp_path / f"by-{workers}", workers=workers)
        texts.append([(tmp_path / f"by-{workers}" / n).read_bytes() for n in ("studies.csv", "analytes.csv", "register.html")])
    assert texts[0] == texts[1]


def deadly(name: str) -> str:
    """A call that ends its process for one name."""
    if name == "bad":
        os._exit(9)
    return name.upper()


@pytest.mark.slow
def test_a_call_that_ends_its_process_costs_its_own_result_only() -> None:
    names = [(f"n{k}",) for k in range(12)] + [("bad",)] + [("last",)]
    found = each(deadly, names, 2, lambda _: None, lambda a: f"{a[0]} died")
    assert found == [*(f"N{k}" for k in range(12)), "bad died", "LAST"]


@pytest.mark.slow
def test_filing_makes_it_as_filed(studies: Path, tmp_path: Path) -> None:
    file_it(studies / "open")
    assert states(studies, tmp_path / "register")["open"] == "as filed"
