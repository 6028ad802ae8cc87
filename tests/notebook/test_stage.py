"""The open stage: opening reads only; what is recorded, shown and saved goes into the stage's folder."""

from __future__ import annotations

from pathlib import Path

import studykit.notebook as kit
from studykit.core.files import sha256_of
from studykit.demos.shipped import copy_demo


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
    assert changed == {"report/00-study/numbers.json"}  # the comparison above can fail
