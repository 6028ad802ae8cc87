"""Own repeatability pooled over studies: against ISO 5725-2, SciPy's Bartlett test, and studies with known scatter."""

from __future__ import annotations

import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import studykit as sk
from studykit.core.errors import BadInput
from studykit.inference import Margin
from studykit.register import write_register
from studykit.register.repeats import DRAWN, MEASURING, repeats_of
from studykit.register.scatter import APART, largest_share, pooled
from tests.many_studies import lay, truth_of
from tests.register.test_laboratory import COAL, CREOSOTE, laboratories


def sums(cells: str) -> tuple[list[float], list[int]]:
    """Sums of squares and degrees of freedom of each laboratory."""
    groups = [own.to_numpy() for _, own in laboratories(cells).groupby("lab")["y"]]
    return [float(((g - g.mean()) ** 2).sum()) for g in groups], [len(g) - 1 for g in groups]


@pytest.mark.parametrize(("cells", "s_r"), [*((c, s) for c, s, _ in CREOSOTE), (COAL, 0.015)])
def test_the_pooled_value_is_that_of_iso_5725_2(cells: str, s_r: float) -> None:
    # printed with three decimals; unequal numbers of readings in the last one
    assert pooled(*sums(cells)).s == pytest.approx(s_r, abs=6e-4)


# ISO 5725-2:1994, Table 4, critical values of Cochran's test: laboratories, readings each, at 5 % and at 1 % (recalled)
@pytest.mark.parametrize(("p", "n", "at_5", "at_1"), [
    (3, 2, 0.967, 0.993), (5, 2, 0.841, 0.928), (8, 2, 0.680, 0.794), (10, 2, 0.602, 0.718), (3, 3, 0.871, 0.942),
    (5, 3, 0.684, 0.788), (10, 3, 0.445, 0.536)])
def test_the_largest_variance_is_judged_as_in_iso_5725_2(p: int, n: int, at_5: float, at_1: float) -> None:
    for share, level in ((at_5, 0.05), (at_1, 0.01)):
        ss = np.array([share, *([(1 - share) / (p - 1)] * (p - 1))])
        # a third decimal of the share moves the chance by up to 4 % of itself, Bonferroni by a thirtieth of the level
        assert largest_share(ss, np.full(p, n - 1.0)) == (0, pytest.approx(level, rel=0.06))


def test_whether_they_scatter_alike_is_scipys_bartlett() -> None:
    rng = np.random.default_rng(2)
    groups = [rng.normal(0, 1 + k / 4, 4 + 3 * k) for k in range(5)]
    found = pooled([float(((g - g.mean()) ** 2).sum()) for g in groups], [len(g) - 1 for g in groups])
    assert found.p_alike == pytest.approx(stats.bartlett(*groups).pvalue, rel=1e-9)
    assert found.low == pytest.approx(found.s * np.sqrt(found.df / stats.chi2.ppf(0.975, found.df)), rel=1e-9)
    assert found.high == pytest.approx(found.s * np.sqrt(found.df / stats.chi2.ppf(0.025, found.df)), rel=1e-9)


@pytest.mark.few(1)
@pytest.mark.parametrize("studies", [3, 5, 10, 30])
def test_limits_hold_the_truth_and_the_tests_seldom_stop_what_is_alike(studies: int) -> None:
    """2,000 sets of studies of unequal size: coverage 95 % and refusals up to twice 1 %, each within 3.5 standard errors.

    With one study of three times the scatter most sets are refused; the limits of those that are not are no promise.
    """
    rng, df = np.random.default_rng(studies), np.resize([6, 12, 24, 36], studies)
    ss = rng.chisquare(df, (2000, studies))
    found = [pooled(row, df) for row in ss]
    inside = np.mean([f.low < 1 < f.high for f in found])
    refused = np.mean([not f.alike for f in found])
    kept = np.mean([f.low < 1 < f.high for f in found if f.alike])
    error = 3.5 * np.sqrt(0.95 * 0.05 / 2000)
    assert inside == pytest.approx(0.95, abs=error)
    assert kept == pytest.approx(0.95, abs=error + APART)
    assert refused < 2 * APART + 3.5 * np.sqrt(2 * APART / 2000)
    ss[:, 2] *= 9  # 24 degrees of freedom
    assert np.mean([not pooled(row, df).alike for row in ss]) > 0.9


def test_the_kinds_of_repeats_are_told_apart() -> None:
    """Determinations of a bottle, bottles of a zone drawn twice; limits, blanks and single readings left out; NumPy's var."""
    rows = [("a", "stock", "C1", "upper", [10.0, 10.4]), ("b", "stock", "C1", "upper", [11.0, 11.2]),
            ("c", "stock", "C1", "lower", [12.0]), ("d", "stock", "C1", "lower", [12.6]), ("e", "blank", "", "", [0.1, 0.3]),
            ("f", "check fluid", "", "", [20.0, 20.3, 20.6]), ("g", "stock", "C2", "upper", [9.0, 9.9])]
    samples = pd.DataFrame([(s, k.replace("stock", "spot"), c, d) for s, k, c, d, _ in rows],
                           columns=["sample", "kind", "container", "depth"])
    results = pd.DataFrame([(s, "P", v, "", "1") for s, *_, vs in rows for v in vs],
                           columns=["sample", "analyte", "value", "qualifier", "run"])
    results.loc[results["sample"] == "g", "qualifier"] = ["", "<"]
    found = {(r["of"], r["read"]): r for r in repeats_of("P", results, samples, Margin.absolute(1.0))}
    bottles = [rows[k][-1] for k in (0, 1, 5)]
    squares = sum(float(np.var(b, ddof=1)) * (len(b) - 1) for b in bottles)
    assert (found[MEASURING, 1]["squares"], found[MEASURING, 1]["df"]) == (pytest.approx(squares), 4)
    assert (found[DRAWN, 2]["squares"], found[DRAWN, 2]["df"]) == (pytest.approx(np.var([10.2, 11.1], ddof=1)), 1)
    assert (found[DRAWN, 1]["squares"], found[DRAWN, 1]["df"]) == (pytest.approx(np.var([12.0, 12.6], ddof=1)), 1)
    assert len(found) == 3


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four studies of one laboratory that repeats itself within 0.8 %, and one that nobody named."""
    root, rng = tmp_path_factory.mktemp("scatter") / "studies", np.random.default_rng(4)
    for k in range(5):
        lay(root / f"s{k}", k, [truth_of("P", rng, s_r=0.8)], containers=6, day=f"202{k + 1}-01-10", filed=False)
    (root / "register.toml").write_text("".join(f'[studies.s{k}]\nlaboratory = "works"\n' for k in range(4)), encoding="utf-8")
    return root


@pytest.mark.slow
def test_it_is_pooled_by_laboratory_and_offered_to_the_next_design(laid: Path, tmp_path: Path) -> None:
    made = write_register(laid, tmp_path / "register")
    own = made.repeatability.set_index("laboratory")
    works = own.loc["works"]
    apart = [np.diff(np.log(b["value"])) for k in range(4) for _, b in sk.open(laid / f"s{k}").results.groupby("sample")]
    assert works["s"] == pytest.approx(100 * np.sqrt(np.mean(np.square(apart)) / 2), rel=1e-9)  # sqrt(sum of d^2 / 2k)
    assert (works["df"], works["studies"]) == (72, 4)
    assert works["low"] < 0.8 < works["high"]
    assert not own.loc["", "pooled"]
    assert own.loc["", "told"] == "its laboratory is not stated: write it in register.toml"
    offered = tomllib.loads((tmp_path / "register/for-the-next-study.toml").read_text(encoding="utf-8"))
    assert offered["analytes"]["P"]["repeatability"]["s_r_percent"] == pytest.approx(works["s"], rel=1e-3)
    assert offered["design"]["guesses"]["P"]["source"].startswith("own, pooled over 4 studies, 2021 to 2025: 72 degrees")
    again = shutil.copytree(laid / "s4", tmp_path / "next")
    text = (again / "study.toml").read_text(encoding="utf-8")
    section = (tmp_path / "register/for-the-next-study.toml").read_text(encoding="utf-8").split("[design.")[0]
    (again / "study.toml").write_text(text + "\n" + section, encoding="utf-8")
    taken = sk.open(again).study.analytes["P"].repeatability
    assert taken is not None
    assert taken.s_r_at(200.0) == pytest.approx(2 * works["s"], rel=1e-3)


@pytest.mark.slow
def test_what_does_not_belong_together_is_not_pooled(laid: Path, tmp_path: Path) -> None:
    """A study of three times the scatter; another method; another scale; an invented one among others."""
    studies, rng = Path(shutil.copytree(laid, tmp_path / "studies")), np.random.default_rng(8)
    lay(studies / "wild", 50, [truth_of("P", rng, s_r=2.4)], containers=6, filed=False)
    lay(studies / "other", 51, [replace(truth_of("P", rng), method="titration")], containers=6, filed=False)
    lay(studies / "real", 52, [truth_of("P", rng)], containers=6, filed=False, invented=False)
    names = studies / "register.toml"
    names.write_text('[all]\nlaboratory = "works"\n', encoding="utf-8")
    table = write_register(studies, tmp_path / "register").repeatability
    own = table.set_index(["method", "studies"])
    assert "wild stands out" in own.loc[("in-house ICP", 6), "told"]
    assert own.loc[("titration", 1), "told"] == "one study only: other"
    assert own.loc[("in-house ICP", 1), "told"] == "one study only: real"
    assert not table["pooled"].any()
    assert np.isnan(table["s"].to_numpy(float)).all()


def test_rounded_numbers_do_not_pass_for_good_ones(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    for k in range(3):
        lay(tmp_path / f"studies/r{k}", k, [replace(truth_of("P", rng, s_r=0.2), step=2.0)], containers=4, filed=False)
    (tmp_path / "studies/register.toml").write_text('[all]\nlaboratory = "works"\n', encoding="utf-8")
    told = write_register(tmp_path / "studies", tmp_path / "register").repeatability["told"].iloc[0]
    assert "rounded" in told


@pytest.mark.slow
def test_a_pipe_in_place_of_the_names_is_refused(laid: Path, tmp_path: Path) -> None:
    studies = Path(shutil.copytree(laid, tmp_path / "studies"))
    (studies / "register.toml").unlink()
    (studies / "register.toml").mkdir()
    with pytest.raises(BadInput, match="is a folder, not an ordinary file"):
        write_register(studies, tmp_path / "register")
