"""A new study has a seed, and so blind codes, of its own; all else is the template."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from studykit.commands.new import new_study
from studykit.report.manifest import GIT, unlisted
from studykit.study.codes import make_codes
from studykit.study.definition import load_study
from studykit.study.stages import HERE


def test_six_new_studies_have_six_seeds_and_codes_of_their_own(tmp_path: Path) -> None:
    roots = [tmp_path / f"study {k}" for k in range(6)]
    for root in roots:
        new_study(root)
    seeds = [load_study(root).seed for root in roots]
    assert len(set(seeds)) == 6
    assert len({make_codes(40, seed) for seed in seeds}) == 6
    assert all(10**8 <= seed < 10**9 for seed in seeds)
    template = (HERE / "templates/new/study.toml").read_text(encoding="utf-8").splitlines()
    for root, seed in zip(roots, seeds, strict=True):
        lines = (root / "study.toml").read_text(encoding="utf-8").splitlines()
        assert [(a, b) for a, b in zip(template, lines, strict=True) if a != b] == [
            (a, a.replace(f"1{' ' * 8}", str(seed))) for a in template if a.startswith("seed")]


def test_a_template_with_its_seed_would_share_its_codes() -> None:
    assert make_codes(40, 1) == make_codes(40, 1)


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed on this machine")
def test_git_is_kept_from_rewriting_the_line_ends_of_a_new_study(tmp_path: Path) -> None:
    root = tmp_path / "study"
    new_study(root)
    assert unlisted(root) == ()
    (root / "raw/results.csv").write_bytes(b"a,b\n1,2\n")
    for command in (["init"], ["config", "core.autocrlf", "true"], ["add", "."],
                    ["-c", "user.name=x", "-c", "user.email=x@example.org", "commit", "-m", "x"],
                    ["rm", "-q", "raw/results.csv"], ["reset", "--hard", "HEAD"]):
        subprocess.run(["git", "-C", str(root), *command], check=True, capture_output=True)
    assert (root / "raw/results.csv").read_bytes() == b"a,b\n1,2\n"
    (root / GIT).write_text("* text\n")
    assert GIT in unlisted(root)
    subprocess.run(["git", "-C", str(root), "rm", "-q", "--cached", "raw/results.csv"], check=True, capture_output=True)
    subprocess.run(["git", "-C", str(root), "add", "."], check=True, capture_output=True)
    (root / "raw/results.csv").unlink()
    subprocess.run(["git", "-C", str(root), "checkout", "raw/results.csv"], check=True, capture_output=True)
    assert (root / "raw/results.csv").read_bytes() == b"a,b\r\n1,2\r\n"  # what else happens
