"""A new study has a seed, and so blind codes, of its own; all else is the template."""

from __future__ import annotations

from pathlib import Path

from studykit.commands.new import new_study
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
