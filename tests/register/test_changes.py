"""Two studies side by side, against SciPy's own test of two independent samples."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import studykit as sk
from studykit.commands.cli import main
from studykit.core.errors import BadInput
from studykit.register import write_comparison
from studykit.register.alike import laboratory_moved, one_fluid
from studykit.register.changes import DIFFERENCES, WORDS, Changes, changes
from studykit.report.manifest import FILE, canonical, manifest_of
from tests import verdict_cases

Cells = dict[str, dict[str, list[float]]]


def cells(n: int, seed: int, lower: float = 0.0, names: str = "C") -> Cells:
    """n containers at about 100 mg/kg with their own scatter; ``lower`` per cent more in the lowest zone."""
    rng = np.random.default_rng(seed)
    out = {}
    for c in range(n):
        level = 100 * np.exp(rng.normal(0, 0.05))
        out[f"{names}{c}"] = {d: [round(level * np.exp(rng.normal(np.log1p(lower / 100) * (d == "lower"), 0.01)), 4)]
                              for d in verdict_cases.DEPTHS}
    return out


def opened(root: Path, made: Cells, **options: object) -> sk.OpenStudy:
    verdict_cases.make(root, made, **options)  # type: ignore[arg-type]
    return sk.open(root)


def own(made: Cells, below: str, above: str) -> np.ndarray:
    return np.array([np.log(c[below][0] / c[above][0]) for c in made.values()])


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Cells, Cells, sk.OpenStudy, sk.OpenStudy]:
    root = tmp_path_factory.mktemp("two")
    first, second = cells(8, 1), cells(11, 2, lower=9, names="D")
    return first, second, opened(root / "first", first), opened(root / "second", second)


def test_a_change_of_a_difference_is_that_of_two_independent_samples(pair):
    """scipy.stats.ttest_ind(equal_var=False) over the containers' own differences: estimate, interval, df."""
    first, second, earlier, later = pair
    table = changes(earlier, later).differences.set_index("pair")
    for below, above in (("middle", "upper"), ("lower", "upper"), ("lower", "middle")):
        truth = stats.ttest_ind(own(second, below, above), own(first, below, above), equal_var=False)
        span, row = truth.confidence_interval(0.95), table.loc[f"{below} - {above}"]
        shown = 100 * np.expm1([own(second, below, above).mean() - own(first, below, above).mean(), span.low, span.high])
        assert row[["change", "low", "high"]].to_numpy(float) == pytest.approx(shown, rel=1e-9)
        assert row["df"] == pytest.approx(truth.df, rel=1e-9)
    assert table.loc["lower - upper", "reads"] == "farther apart"
    assert table.loc["middle - upper", "reads"] == "no change is shown"


def test_levels_are_compared_over_containers(pair):
    first, second, earlier, later = pair
    row = changes(earlier, later).levels.iloc[0]
    means = [np.log([np.mean([v[0] for v in c.values()]) for c in made.values()]) for made in (first, second)]
    span = stats.ttest_ind(means[1], means[0], equal_var=False).confidence_interval(0.95)
    assert row[["low", "high"]].to_numpy(float) == pytest.approx(100 * np.expm1([span.low, span.high]), rel=1e-9)
    assert (row["n before"], row["n after"]) == (8, 11)


@pytest.mark.slow
def test_the_words_are_each_study_s_own_and_a_changed_margin_is_said(pair, tmp_path):
    first, _, earlier, later = pair
    found = changes(earlier, later)
    assert found.words.loc[0, ["word before", "word after"]].tolist() == [
        s.verdict().told_words()["P"] for s in (earlier, later)]
    assert "phosphorus was" in found.sentence or "P was" in found.sentence
    other = changes(earlier, opened(tmp_path / "wide", first, margin={"relative_percent": 8}))
    assert other.sentence.endswith("Margins changed, so the same verdict need not mean the same: P from ±5 % to ±8 %.")
    word = earlier.verdict().told_words()["P"]  # the same readings at the earlier margin
    assert other.notes[0].startswith(f"At the earlier margin of ±5 % the later study would say of P: {word} (at ±8 %: ")
    wider = other.words.iloc[0]
    assert (wider["margin"], wider["margin before"], wider["margin after"]) == ("changed", "±5 %", "±8 %")


@pytest.mark.slow
def test_margins_on_two_scales_are_told_on_the_later_one(pair, tmp_path):
    first, second, earlier, _ = pair
    later = opened(tmp_path / "absolute", second, margin={"absolute": 6})
    row = changes(earlier, later).differences.set_index("pair").loc["lower - upper"]
    raw = [np.array([c["lower"][0] - c["upper"][0] for c in made.values()]) for made in (first, second)]
    assert row["unit"] == "mg/kg"
    assert row["change"] == pytest.approx(raw[1].mean() - raw[0].mean())


@pytest.mark.slow
def test_beside_a_factor_the_change_is_told_in_times_and_its_picture_stays_in_margins(pair, tmp_path):
    first, second, _, _ = pair
    before, after = (opened(tmp_path / n, made, margin={"factor": 1.5}) for n, made in (("a", first), ("b", second)))
    row = changes(before, after).differences.set_index("pair").loc["lower - upper"]
    logs = [own(made, "lower", "upper").mean() for made in (first, second)]
    assert row["unit"] == "times"
    assert row[["before", "after", "change"]].to_numpy(float) == pytest.approx(np.exp([*logs, logs[1] - logs[0]]), rel=1e-9)
    assert row["low"] < row["change"] < row["high"]
    assert row["in margins"] == pytest.approx((logs[1] - logs[0]) / np.log(1.5), rel=1e-9)
    assert row["margin low"] < row["in margins"] < row["margin high"]
    level = changes(before, after).levels.set_index("what").loc["stored containers"]
    assert level["change in"] == "times"
    assert level["change"] == pytest.approx(level["after"] / level["before"], rel=1e-9)
    assert level["low"] < level["change"] < level["high"]


def test_the_same_container_a_year_later(tmp_path):
    """One container, stated repeatability: the standard error of the change is 2 s_r of single results, df without limit."""
    made = [{"T1": {"upper": [100.0], "middle": [100.5], "lower": [100.0 + step]}} for step in (1.0, 9.0)]
    earlier, later = (opened(tmp_path / str(i), m, repeatability={"s_r": 1.5, "source": "a test"}) for i, m in enumerate(made))
    found = changes(earlier, later)
    row = found.differences.set_index("pair").loc["lower - upper"]
    percent = (100 + 100.5 + 109) / 300  # a per cent of the later mean: the margin is in per cent
    assert (row["unit"], row["change"] * percent, (row["high"] - row["low"]) * percent) == (
        "%", pytest.approx(8.0), pytest.approx(2 * stats.norm.isf(0.025) * 2 * 1.5))
    assert any("T1" in n and "opened before" in n for n in found.notes)


@pytest.mark.slow
def test_what_cannot_be_compared_is_said(pair, tmp_path):
    first, _, earlier, later = pair
    assert changes(earlier, later).notes == ()
    limited = {c: {d: ["<90"] if d == "lower" else v for d, v in z.items()} for c, z in first.items()}
    notes = changes(earlier, opened(tmp_path / "limits", limited)).notes  # type: ignore[arg-type]
    assert any("within bounds" in n or "not compared" in n for n in notes)
    alone = opened(tmp_path / "one", {"T1": first["C0"]}, repeatability={"s_r": 1.5, "source": "a test"})  # type: ignore[index]
    (told,) = [n for n in changes(earlier, alone).notes if "not compared" in n]
    assert told.endswith("the earlier study compares several containers, the later one judges one container by the stated "
                         "precision; so its numbers are not compared.")


@pytest.mark.slow
def test_a_folder_that_is_not_as_it_was_filed_is_said_first(pair, tmp_path, capsys):
    first, _, _, later = pair
    earlier = opened(tmp_path / "first", first)
    (earlier.root / "report").mkdir(exist_ok=True)
    (earlier.root / FILE).write_text(canonical(manifest_of(earlier.root, earlier.root / "report", {}, {})))
    assert [t.split(":")[0] for t in changes(earlier, later).unfiled] == ["No report is filed of the later study"]
    path = earlier.root / "tidy/results.csv"
    path.write_bytes(path.read_bytes().replace(b",P,1", b",P,2", 3))
    assert main(["compare", str(earlier.root), str(later.root), "--to", str(tmp_path / "out")]) == 0
    said = "The earlier study is NOT AS IT WAS FILED (tidy/results.csv)"
    assert capsys.readouterr().out.startswith(said)
    page = (tmp_path / "out/compare.html").read_text(encoding="utf-8")
    assert page.index(said) < page.index("Words: ")


@pytest.mark.slow
def test_one_raw_file_in_both_studies_is_said_first_whatever_its_name(pair, tmp_path):
    earlier, later = pair[2:]
    kept = [tmp_path / "a", tmp_path / "b"]
    for study, root in zip((earlier, later), kept, strict=True):
        shutil.copytree(study.root, root)
        (root / "raw").mkdir(exist_ok=True)
        (root / f"raw/of-{root.name}.csv").write_text(f"own of {root.name}")
    assert not any("NOT INDEPENDENT" in s for s in changes(*map(sk.open, kept)).unfiled)
    for root in kept:
        (root / f"raw/sent-{root.name}.csv").write_text("sample;P\n1;2")
    said = changes(*map(sk.open, kept)).unfiled[0]
    assert said.startswith("NOT INDEPENDENT: both studies hold the same raw file: raw/sent-a.csv (later raw/sent-b.csv). ")
    assert "own" not in said


@pytest.mark.parametrize(("before", "after", "told"), [
    ("Gear oil 220: 12 drums", "Gear oil 220, 2026: 9 drums", ""), ("Gear oil 2025: 12 drums", "Gear oil 2026: 9 drums", ""),
    ("Gear oil 220: 12 drums", "Gear oil 320: 12 drums", "IS IT ONE FLUID? No study.toml says so: “Gear oil 220: 12 drums”, "
     "then “Gear oil 320: 12 drums”. If it is not, a change below says nothing of either.")])
def test_two_fluids_are_asked_about_first(before, after, told):
    """A gear oil in a tote was compared with a coolant in drums without a word of it."""
    one, two = (SimpleNamespace(study=SimpleNamespace(title=t, fluid=None), containers=pd.DataFrame({"vessel": ["drum"]}))
                for t in (before, after))
    said = list(one_fluid(one, two))
    assert said == [told] * bool(told)
    two.containers = pd.DataFrame({"vessel": ["tote"]})
    assert all("in drum before and tote after" in s for s in one_fluid(one, two))


@pytest.mark.parametrize(("density", "viscosity", "told"), [
    (870, 220, []), (872, 230, []),
    (1070, 220, ["density 870.0, then 1070 kg/m³"]), (870, 320, ["viscosity at 40 °C 220.0, then 320.0 mm²/s"])])
def test_two_declared_fluids_are_told_by_density_and_viscosity(density, viscosity, told):
    fluids = [SimpleNamespace(density_kg_m3=d, viscosity_mm2_s_at_40c=v) for d, v in ((870, 220), (density, viscosity))]
    one, two = (SimpleNamespace(study=SimpleNamespace(title=str(k), fluid=f)) for k, f in enumerate(fluids))
    assert list(one_fluid(one, two)) == [
        f"TWO FLUIDS by their study.toml: {t}. A change between two fluids says nothing of either." for t in told]


def test_a_check_fluid_that_moved_is_told_in_the_first_sentence():
    levels = pd.DataFrame([("pH", "check fluid", -0.161, -0.242, -0.081, "pH"), ("Si", "check fluid", -3.4, -7.8, 1.3, "%"),
                           ("P", "check fluid", 1.2, 1.1, 1.3, "times"), ("Zn", "check fluid", 1.05, 0.98, 1.2, "times"),
                           ("Ca", "stored containers", 9.0, 8.0, 10.0, "%")],
                          columns=["analyte", "what", "change", "low", "high", "change in"])
    assert laboratory_moved(levels, {"P": "phosphorus"}) == (
        " The check fluid reads otherwise than before: pH \u22120.161 pH (\u22120.242 to \u22120.0810); phosphorus 1.20 times "
        "(1.10 to 1.30). If it is the same fluid, that is the laboratory’s change.")
    assert laboratory_moved(levels.iloc[[1, 3, 4]], {}) == ""
    found = Changes(words=pd.DataFrame(columns=WORDS), differences=pd.DataFrame(columns=DIFFERENCES), levels=levels, notes=())
    assert "The check fluid reads otherwise than before" in found.sentence


def test_page_and_tables_by_command(pair, tmp_path, capsys):
    _, _, earlier, later = pair
    assert main(["compare", str(earlier.root), str(later.root), "--to", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "lower - upper" in said
    assert "compare.html" in said
    page = (tmp_path / "out/compare.html").read_text(encoding="utf-8")
    table = pd.read_csv(tmp_path / "out/differences.csv")
    assert len(table) == 3
    assert "no change is shown" in page
    assert "Only in" not in page
    assert main(["compare", str(earlier.root), str(earlier.root), "--to", str(tmp_path / "x")]) == 2
    with pytest.raises(BadInput, match="inside"):
        write_comparison(earlier, later, later.root / "compare")
