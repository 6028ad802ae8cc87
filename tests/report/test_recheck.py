"""A dishonest sender: whatever was changed in a filed study is named, with and without corrected hashes.

The re-execution stands in as the untouched report, which it equals byte for byte: that is run once, for real, in
``test_an_untouched_study_follows``. Every other check here compares with it directly.
"""

from __future__ import annotations

import json
import random
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from studykit.commands.cli import main
from studykit.core.errors import BadInput, RunsDiffer
from studykit.core.hashes import sha256_of
from studykit.report import firstpage
from studykit.report import recheck as rechecking
from studykit.report.manifest import FILE, canonical, files_of, hashes
from studykit.report.own import COPIED, copy_notebooks
from studykit.report.recheck import compare_manifests, compare_studies, drawn_by_the_same, program_notes, recheck
from studykit.report.verify import verify
from tests.report import mutated
from tests.report.filed import pretend, rehash

QUIET = lambda _: None  # noqa: E731
PICTURE = r"data:image/(?:png|svg\+xml);base64,[^\"]+"


def told(root: Path, filed: Path) -> list[str]:
    """Everything that a recheck would say of a study whose re-execution gives ``filed``, notes included."""
    first = verify(root)
    if first.differences:
        return [d["what"] for d in first.differences]
    manifest, fresh = (json.loads((f / FILE).read_text()) for f in (root, filed))
    out = compare_studies(root, filed, same_programs=drawn_by_the_same(manifest))
    rows = compare_manifests(manifest, fresh) + out.rows
    # an input is quoted with its hash on the page that is made again, so another input gives another page
    changed = [k for k, v in hashes(root, files_of(root)["inputs"]).items() if fresh["inputs"].get(k) != v]
    beside = [p.name for p in files_of(root)["beside"]]
    return [*(d["what"] for d in rows), *out.notes, *out.alike, *program_notes(manifest), *changed, *beside]


@pytest.mark.slow
def test_an_untouched_study_follows(root, capsys):
    """The one real re-execution: every file but the run's own record is the same to the byte."""
    assert main(["recheck", str(root)]) == 0
    said = capsys.readouterr().out
    numbers = len(json.loads((root / "report/numbers.json").read_text()))
    outputs = sum(p.is_file() and p.name != "manifest.json" for p in (root / "report").rglob("*"))
    assert f"the filed study follows from its raw data: {numbers} numbers, {outputs} files of the report" in said
    assert numbers > 50
    assert outputs > 100
    record = json.loads((root / "recheck.json").read_text())
    assert record["result"] == "follows from its raw data"
    assert record["differences"] == []
    assert not [n for n in record["notes"] if "not in every digit" in n]
    assert record["kit"]["code"] == json.loads((root / FILE).read_text())["kit"]["code"]
    page = (root / "recheck.html").read_text()
    assert "<script" not in page
    assert "What this does not show" in page
    assert verify(root).differences == ()  # the record is no part of what was filed


def test_nothing_filed_names_a_folder_of_this_machine(filed):
    for path in filed.rglob("*"):
        if path.is_file():
            assert str(filed).encode() not in path.read_bytes(), path
            assert b".filed-" not in path.read_bytes(), path


def test_every_input_stands_on_the_page_with_its_hash(filed):
    page = (filed / "report/report.html").read_text()
    for path, entry in json.loads((filed / FILE).read_text())["inputs"].items():
        assert entry["sha256"][:16] in page, path


def edit(path: str, old: str, new: str, count: int = 1) -> Callable[[Path], None]:
    """Replace a text that must be there."""
    def change(root: Path) -> None:
        text = (root / path).read_text(encoding="utf-8")
        assert old in text, (path, old)
        (root / path).write_text(text.replace(old, new, count), encoding="utf-8")

    return change


def loosen(root: Path) -> None:
    """Divide a recorded number by twenty and let the record allow it."""
    data = json.loads((root / "report/numbers.json").read_text())
    entry = next(e for e in data if isinstance(e["value"], float))
    entry["value"], entry["tolerance"] = entry["value"] / 20, 1e9
    (root / "report/numbers.json").write_text(json.dumps(data))


def repaint(root: Path) -> None:
    """Put one figure in the place of another."""
    pictures = sorted((root / "report").rglob("figure-*.png"))
    shutil.copy(pictures[0], next(p for p in pictures if p.read_bytes() != pictures[0].read_bytes()))


def drop_cell(root: Path) -> None:
    """Take the last cell out of an executed notebook."""
    path = root / "report/06-verdict/06-verdict.ipynb"
    nb = json.loads(path.read_text())
    nb["cells"] = nb["cells"][:-1]
    path.write_text(json.dumps(nb))


def own_notebook(root: Path) -> None:
    """Add the kit's notebooks to the study, with one line that edits results in memory."""
    from studykit.study.stages import share

    (root / "notebooks").mkdir()
    for path in share("notebooks").glob("0*.ipynb"):
        shutil.copy(path, root / "notebooks")
    edit("notebooks/05-model.ipynb", "stage = kit.open_stage(", "stage = (lambda s: s)(kit.open_stage)(")(root)


TAMPERED = {
    "a verdict on the page": (edit("report/report.html", "Stratified: ", "Homogeneous: "), "report.html"),
    "a cell of a stage table": (edit("report/06-verdict/verdicts.csv", "stratified", "homogeneous"), "06-verdict/verdicts.csv"),
    "a number and its tolerance": (loosen, "chance of homogeneous|numbers.json"),
    "a figure": (repaint, "figure-"),
    "a figure as SVG": (edit("report/06-verdict/figure-1.svg", '<path d="M', '<path d="M 1'),
                        "06-verdict/figure-1.svg"),
    "a figure drawn for phones": (edit("report/06-verdict/figure-1-narrow.svg", '<path d="M', '<path d="M 1'),
                                  "06-verdict/figure-1-narrow.svg"),
    "an output of an executed notebook": (edit("report/06-verdict/06-verdict.ipynb", "tratified", "omogeneous"),
                                          "06-verdict.ipynb"),
    "a cell of an executed notebook": (drop_cell, "number of cells|06-verdict.ipynb"),
    "the seed in the manifest": (edit(FILE, '"seed": ', '"seed": 1'), "seed|manifest"),
    "a tidy table": (edit("tidy/results.csv", "1", "2"), "tidy/results.csv"),
    "a file put into the report": (lambda r: (r / "report/note.csv").write_text("a\n1\n"), "note.csv"),
    "a table taken out": (lambda r: (r / "report/05-model/fits.csv").unlink(), "fits.csv"),
    "a raw result": (edit("raw/tote_2026-10-06.csv", "1", "2"), "raw/tote_2026-10-06.csv"),
}


@pytest.mark.few(3)
@pytest.mark.parametrize("corrected", [False, True], ids=["hashes as filed", "hashes corrected"])
@pytest.mark.parametrize("case", TAMPERED)
def test_what_a_dishonest_sender_changes_is_named(case, corrected, root, filed):
    change, where = TAMPERED[case]
    change(root)
    if corrected:
        rehash(root)
    assert any(re.search(where, w) for w in told(root, filed)), told(root, filed)
    if corrected and "raw" not in case:
        assert verify(root).differences == () or "manifest" not in where


def test_what_a_killed_recheck_left_of_its_record_is_cleared_by_the_next(root, filed, monkeypatch):
    pretend(monkeypatch, filed)
    for name in (".recheck.json.x.part", ".recheck.html.y.part"):
        (root / name).write_text("half")
    recheck(root, QUIET)
    assert not list(root.glob(".*.part"))
    assert json.loads((root / "recheck.json").read_text())["differences"] == []


def test_a_tampered_study_ends_with_exit_code_7_and_a_line_each(root, filed, monkeypatch, capsys):
    pretend(monkeypatch, filed)
    edit("report/report.html", "Stratified: ", "Homogeneous: ")(root)
    assert main(["recheck", str(root)]) == 7
    said = capsys.readouterr().err
    assert "The folder is not as its manifest says; nothing was run: 1 difference.\n  outputs: report/report.html: " in said
    rehash(root)
    assert main(["verify", str(root)]) == 0
    assert main(["recheck", str(root)]) == 7
    said = capsys.readouterr().err
    assert "The filed study does not follow from its inputs: 1 difference.\n  page: report.html under '" in said
    assert "Homogeneous: " in said
    assert json.loads((root / "recheck.json").read_text())["result"] == "differs"


def test_inputs_that_no_longer_run_are_a_difference_too(root, monkeypatch):
    def refused(fresh: Path, say: object, *, notebooks: str = "", separate: bool = False) -> None:
        raise BadInput([], title="the raw file cannot be read")

    monkeypatch.setattr(rechecking, "make_report", refused)
    with pytest.raises(RunsDiffer, match="the whole run: filed a finished report, now the raw file cannot be read"):
        recheck(root, QUIET)


@pytest.mark.slow
def test_a_studys_own_notebooks_are_listed_and_run_only_when_asked_for(root, filed, monkeypatch, capsys):
    seen: list[str] = []
    pretend(monkeypatch, filed, seen)
    own_notebook(root)
    rehash(root)
    assert main(["recheck", str(root)]) == 7
    said = capsys.readouterr().err
    assert "notebooks: 05-model.ipynb cell 5: filed -stage = kit.open_stage" in said
    assert main(["recheck", str(root), "--notebooks", "own"]) == 0
    assert "note: ran as foreign code: 05-model.ipynb, cell 5: " in capsys.readouterr().out
    assert seen == ["kit", "own"]
    assert main(["report", str(root)]) == 2
    said = capsys.readouterr().err
    assert "The study's own notebooks differ from the kit's; nothing was run: 1 fault." in said
    assert "--notebooks own these: foreign code where you did not write it" in said
    assert main(["plan", str(root)]) == 2


def claim(root: Path, program: str = "matplotlib", version: str = "9.9.9") -> None:
    """Let the manifest say that another program made the report, and correct all hashes."""
    data = json.loads((root / FILE).read_text())
    data["versions"][program] = version
    (root / FILE).write_text(canonical(data))
    rehash(root)


def restyle(root: Path) -> None:
    """Hide the verdict by a rule of style, and show another one."""
    rule = 'blockquote strong{font-size:0}blockquote::before{content:"Homogeneous."}'
    edit("report/report.html", "</style>", f"{rule}</style>")(root)


def rescript(root: Path) -> None:
    """Put another script on the page."""
    edit("report/report.html", "</body>", "<script>document.title='Homogeneous'</script></body>")(root)


def hide(root: Path) -> None:
    """Hide the first table of the page by an attribute."""
    edit("report/report.html", '<table class="data"', '<table class="none"')(root)


def shrink(root: Path) -> None:
    """Show the first picture of the page one point wide."""
    path = root / "report/report.html"
    text, count = re.subn(r'(<img [^>]*width=")\d+"', r'\g<1>1"', path.read_text(), count=1)
    assert count
    path.write_text(text)


def repaint_page(root: Path) -> None:
    """Put another figure in the place of each on the page."""
    path = root / "report/report.html"
    found = re.findall(PICTURE, path.read_text())
    swap = dict(zip(found, reversed(found), strict=True))
    assert {f.partition(";")[0] for f in found} == {"data:image/svg+xml"}
    path.write_text(re.sub(PICTURE, lambda m: swap[m[0]], path.read_text()))


def redraw(kind: str) -> Callable[[Path], None]:
    """Put one figure in the place of another, in the form that is named."""
    def change(root: Path) -> None:
        drawings = sorted((root / "report").rglob(f"figure-*{kind}"))
        shutil.copy(drawings[0], next(p for p in drawings if p.read_bytes() != drawings[0].read_bytes()))
    return change


def let_act(root: Path) -> None:
    """Put a script into a drawing, which runs where that is opened by itself."""
    edit("report/06-verdict/figure-1.svg", "</svg>", "<script>alert(1)</script></svg>")(root)


@pytest.mark.few(1)
@pytest.mark.parametrize("program", ["matplotlib", "jupyterlab", "studykit"])
@pytest.mark.parametrize("change", [restyle, rescript, hide, shrink, repaint, repaint_page, redraw("svg"), redraw("narrow.svg"),
                                    redraw("pdf"), let_act])
def test_a_false_word_on_the_programs_loosens_no_comparison(root, filed, change, program):
    """One untrue version once made style and pictures pass."""
    change(root)
    claim(root, program)
    assert compare_studies(root, filed, same_programs=drawn_by_the_same(json.loads((root / FILE).read_text()))).rows


def test_what_the_sender_says_of_programs_is_told_as_his_word(root, filed, monkeypatch, capsys):
    pretend(monkeypatch, filed)
    claim(root)
    assert main(["recheck", str(root)]) == 0
    said = capsys.readouterr().out
    assert "note: the sender says that matplotlib was 9.9.9; here it is " in said
    assert "look at them" not in said


@pytest.mark.slow
def test_a_picture_that_is_only_alike_is_counted_in_the_last_line(root, filed, monkeypatch, capsys):
    pretend(monkeypatch, filed)
    path = root / "report/06-verdict/figure-1.png"
    with Image.open(path) as picture:
        picture.convert("RGB").save(path)  # the same to the eye, other bytes
    rehash(root)
    assert main(["recheck", str(root)]) == 7
    assert "06-verdict/figure-1.png, a picture: filed " in capsys.readouterr().err
    claim(root)
    assert main(["recheck", str(root)]) == 0
    *_, last, record = capsys.readouterr().out.splitlines()
    assert last.endswith("hashes agree; 1 picture is NOT the same, only alike: look at it")
    assert record.startswith("Record: ")
    told = json.loads((root / "recheck.json").read_text())
    assert told["result"] == "follows from its raw data; 1 picture is NOT the same, only alike: look at it"
    assert told["compared"]["pictures that are only alike, not the same"] == 1


def twice(root: Path, path: str) -> None:
    """Put a false record of a number before the true one."""
    data = json.loads((root / path).read_text())
    data.insert(0, {**data[-1], "value": 17.0})
    (root / path).write_text(canonical(data))


@pytest.mark.parametrize("path", ["report/numbers.json", "report/06-verdict/numbers.json"])
def test_a_second_record_of_a_number_is_a_difference(root, filed, path):
    """Of two records of one name the false one once passed."""
    twice(root, path)
    rehash(root)
    rows = compare_studies(root, filed, same_programs=True).rows
    assert [r["re-executed"] for r in rows if "2 times" in r["what"]] == ["once"]


@pytest.mark.parametrize("change", [
    lambda text: text.replace('"value": ', '"value": 99, "value": ', 1), lambda text: json.dumps(json.loads(text)),
    lambda text: canonical(json.loads(text)[::-1])], ids=["a key twice", "other blanks", "other order"])
def test_a_record_in_another_form_is_a_difference(root, filed, change):
    path = root / "report/05-model/numbers.json"
    path.write_text(change(path.read_text()))
    rehash(root)
    assert [r["what"] for r in compare_studies(root, filed, same_programs=True).rows] in (
        ["05-model/numbers.json"], ["05-model/numbers.json, its form"])


@pytest.mark.slow
def test_an_edited_notebook_with_a_false_copied_json_is_listed(root, filed, monkeypatch, capsys):
    """The sender writes notebooks/copied.json too."""
    pretend(monkeypatch, filed)
    copy_notebooks(root)
    edit("notebooks/05-model.ipynb", "stage = kit.open_stage(", "stage = (lambda s: s)(kit.open_stage)(")(root)
    copied = json.loads((root / COPIED).read_text())
    copied["sha256"]["05-model.ipynb"] = sha256_of(root / "notebooks/05-model.ipynb")
    (root / COPIED).write_text(json.dumps(copied))
    rehash(root)
    assert main(["recheck", str(root)]) == 7
    assert "notebooks: 05-model.ipynb cell 5: filed -stage = kit.open_stage" in capsys.readouterr().err
    (root / COPIED).write_text(json.dumps(copied | {"studykit": "0.0.9"}))
    rehash(root)
    assert main(["recheck", str(root)]) == 0
    said = capsys.readouterr().out
    assert "are copies of those of studykit 0.0.9, says notebooks/copied.json, which came with them" in said
    assert "note: not run: 05-model.ipynb, cell 5: -stage = kit.open_stage" in said


@pytest.mark.slow
def test_300_seeded_mutations_of_every_kind_of_file_are_named(filed, tmp_path):
    """A byte, digit, word, line, blank, twin, type or the end of one file changed, half of them with corrected hashes."""
    counts, unnamed = mutated.mutations(filed, filed, tmp_path, 300, 12)
    assert unnamed == []
    assert sum(n for how, n in counts.items() if not how.startswith("kind")) == 300
    assert all(counts[f"kind {kind}"] > 25 for kind in mutated.KINDS)
    assert counts["as filed: difference"] > 140
    assert counts["corrected: difference"] > 100


def test_a_mutation_that_nobody_names_would_be_seen(root, filed, monkeypatch):
    monkeypatch.setattr(mutated, "told", lambda *_: ["a line on something else"])
    monkeypatch.setattr(mutated, "_BEFORE", {})
    path = root / "report/06-verdict/verdicts.csv"
    kept = path.read_bytes()
    assert mutated.one(root, filed, path, "word", True, random.Random(1)) == ""
    assert path.read_bytes() == kept


def test_the_page_of_an_input_is_made_from_it(root, filed):
    """What ``told`` takes for granted: another input changes the table of hashes that the page shows."""
    class Stage:
        study = firstpage_study(root)

    stage = Stage()
    stage.root = root  # type: ignore[attr-defined]
    before = firstpage.provenance(stage)  # type: ignore[arg-type]
    edit("study.toml", "title", "title ")(root)
    assert not firstpage.provenance(stage).equals(before)  # type: ignore[arg-type]


def firstpage_study(root: Path):
    """The definition of a study folder."""
    from studykit.study.definition import load_study

    return load_study(root)
