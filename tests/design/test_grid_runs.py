"""Grids of simulated studies: SciPy's one-sided tests, one count however the work is cut, stopped or killed, bad files."""

from __future__ import annotations

import json
import os
import re
import signal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.commands.cli import main
from studykit.core.errors import BadInput
from studykit.design import grid_runs
from studykit.design.blocks import (
    BLOCK,
    COUNTED,
    _judged,
    _moments,
    _one,
    _together,
    _values,
    _words,
    by_moments,
    count_block,
)
from studykit.design.grid_runs import KEPT, _tasks_of, run_scenario
from studykit.design.scenario import Cell, Scenario, _wrong, read_scenario
from studykit.inference import Margin
from studykit.inference.contrasts import contrasts_of, word_codes
from tests.posix import posix

TEXT = """title = "Pails"
margin = { relative_percent = 5 }
studies = 2500
seed = 3
[grid]
containers = [6, 12]
depths = 2
difference = [0, 5]
s_r = 1.5
sd_container_depth = 2
"""


def scenario(tmp_path: Path, text: str = TEXT) -> Scenario:
    path = tmp_path / "grid.toml"
    path.write_text(text, encoding="utf-8")
    return read_scenario(path)


def test_with_two_depths_the_words_are_those_of_two_one_sided_tests() -> None:
    """scipy.stats.ttest_1samp of each study's own differences against both edges."""
    cell = Cell(containers=7, depths=2, determinations=2, difference=2, s_r=2, sd_container_depth=2, tails=100)
    margin = Margin.relative(5)
    counts, _ = count_block("ab" * 32, cell, margin, 0.05, 4, BLOCK)
    seed = np.random.SeedSequence([0xabababab] * 8).spawn(5)[4]
    y = np.log(_values(cell, margin, np.random.default_rng(seed))).mean(axis=-1)
    d = y[:, :, 1] - y[:, :, 0]
    within = np.maximum(stats.ttest_1samp(d, margin.high, axis=1, alternative="less").pvalue,
                        stats.ttest_1samp(d, margin.low, axis=1, alternative="greater").pvalue) < 0.05
    assert dict(zip(COUNTED, counts, strict=True))["homogeneous"] == int(within.sum())
    assert 0 < within.sum() < BLOCK
    assert sum(counts[:3]) == BLOCK


@pytest.mark.parametrize(("cell", "margin"), [
    (Cell(containers=6, depths=3, determinations=2, difference=2, s_r=2, sd_container=4, sd_container_depth=1),
     Margin.relative(5)),
    (Cell(containers=9, depths=4, difference=4, s_r=1, sd_container_depth=1, sd_gradient=2), Margin.absolute(5, "mg/kg")),
    (Cell(containers=4, depths=2, difference=14, s_r=2, sd_gradient=3), Margin.relative(5))])
def test_studies_drawn_by_their_moments_are_those_of_single_results(cell: Cell, margin: Margin) -> None:
    """Estimates, squared standard errors and their products over pairs of depths, then the words, of 8,000 studies each way.

    Four Monte Carlo standard errors of each; those of the variances from their own fourth moments.
    """
    assert by_moments(cell, margin)
    drawn = [_moments(cell, margin, np.random.default_rng([b, 1])) for b in range(8)]
    with np.errstate(invalid="ignore"):
        cells = [margin.to_scale(_values(cell, margin, np.random.default_rng([b, 2]))).mean(axis=-1) for b in range(8)]
    whole = [contrasts_of(c) for c in cells]
    for of in (lambda c: c.estimate, lambda c: c.se**2, lambda c: c.estimate[:, :1] * c.estimate,
               lambda c: c.se[:, :1] ** 2 * c.se**2):
        one, other = (np.concatenate([of(c) for c in made]) for made in (drawn, whole))
        apart = np.abs(one.mean(axis=0) - other.mean(axis=0)) / np.sqrt((one.var(axis=0) + other.var(axis=0)) / len(one))
        assert (apart < 4).all()
    np.testing.assert_allclose(drawn[0].unit_variance, whole[0].unit_variance)
    words = np.concatenate([_words(c, cell, margin, 0.05) for c in drawn])
    plain = np.concatenate([word_codes(c, margin.edge, 0.05, depths=cell.depths) for c in whole])
    for w in range(3):
        p = (words == w).mean()
        assert abs(p - (plain == w).mean()) < 4 * np.sqrt(2 * max(p * (1 - p), 1e-4) / len(words))
    again = np.concatenate([word_codes(c, margin.edge, 0.05, depths=cell.depths) for c in drawn])
    np.testing.assert_array_equal(words, again)


@pytest.mark.parametrize("changes", [
    {"tails": 5}, {"lost": 0.1}, {"limit": 90.0}, {"containers": 3}, {"s_r": 0.0}, {"level": 30.0, "sd_container": 3.0},
    {"level": 12.0}, {"level": 42.0, "difference": 30.0}, {"level": 42.0, "difference": -30.0}])
def test_studies_that_their_moments_do_not_decide_are_drawn_whole(changes: dict[str, float]) -> None:
    plain = {"containers": 6, "depths": 3, "s_r": 1.0, "level": 100.0}
    assert by_moments(Cell(**plain), Margin.absolute(5))  # type: ignore[arg-type]
    assert by_moments(Cell(**plain | {"level": 12.5}), Margin.absolute(5))  # type: ignore[arg-type]
    assert not by_moments(Cell(**(plain | changes)), Margin.absolute(5))  # type: ignore[arg-type]


@pytest.mark.parametrize("margin", [Margin.relative(10), Margin.absolute(30, "mg/kg")])
def test_studies_with_limits_are_judged_together_as_one_by_one(margin: Margin) -> None:
    """Their words and whether all pairs were judged, by the road of a single study; some of each word."""
    seen, left = set(), 0
    for limit, difference in ((20.0, 2.0), (21.0, 80.0), (20.5, 25.0)):
        cell = Cell(containers=5, depths=3, determinations=2, difference=difference, s_r=1, sd_container=2, limit=limit,
                    sd_container_depth=0.5, level=22)
        y = _values(cell, margin, np.random.default_rng(8))[:20]
        limited = np.flatnonzero((y < limit).any(axis=(1, 2, 3)))
        words, judged = np.full(20, -9), np.zeros(20, dtype=bool)
        rest = set(_together(y, limited, (words, judged), cell, margin, 0.05))
        left += len(rest)
        for i in set(limited) - rest:
            assert (words[i], judged[i]) == _one(y[i], cell, margin, 0.05)
            seen.add(int(words[i]))
    assert seen >= ({2} if margin.log else {0, 1, 2})
    assert left < 20


@pytest.mark.parametrize(("margin", "limit"), [(Margin.relative(8), 22.4), (Margin.absolute(6, "mg/kg"), 20.5)])
def test_words_and_whether_all_was_judged_are_those_of_each_study_alone(margin: Margin, limit: float) -> None:
    """Of whole studies, of such with lost samples, with values below the limit, and with both."""
    cell = Cell(containers=5, depths=3, determinations=2, difference=4.0, s_r=1, sd_container=2, limit=limit, lost=0.03,
                sd_container_depth=0.5, level=23)
    y = _values(cell, margin, np.random.default_rng(4))[:24]
    words, judged = _judged(y, cell, margin, 0.05)
    lost, limited = np.isnan(y).any(axis=(1, 2, 3)), (y < cell.limit).any(axis=(1, 2, 3))
    assert min(np.count_nonzero(a & b) for a in (lost, ~lost) for b in (limited, ~limited)) >= 2
    for i in range(24):
        assert (words[i], judged[i]) == _one(y[i], cell, margin, 0.05)
    assert len(set(words.tolist())) > 1


def test_the_draws_are_as_the_scenario_says() -> None:
    """Mean and standard deviations of 1,000 studies, each within four of its standard errors."""
    rng = np.random.default_rng(1)
    cell = Cell(containers=20, depths=3, difference=10, s_r=1, sd_container=4, sd_container_depth=2, sd_gradient=3, tails=5,
                lost=0.1, level=50)
    y = _values(cell, Margin.absolute(1, "mg/kg"), rng)[..., 0]
    assert np.isnan(y).mean() == pytest.approx(0.1, abs=4 * np.sqrt(0.09 / y.size))
    apart = y[:, :, 2] - y[:, :, 0]
    own = np.sqrt(3**2 + 2 * (2**2 + 1**2))
    assert np.nanmean(apart) == pytest.approx(10, abs=4 * own / np.sqrt(0.81 * apart.size))
    assert np.nanstd(apart) == pytest.approx(own, rel=0.03)  # tails of five degrees of freedom: about 4 standard errors
    assert np.nanmean(y[:, :, 1]) == pytest.approx(55, abs=4 * 6 / np.sqrt(y[:, :, 1].size))
    assert stats.kurtosis(_values(Cell(tails=5, s_r=1), Margin.absolute(1), rng).ravel()) > 1.5  # 6 for t of 5


@pytest.mark.slow
def test_the_counts_do_not_hang_on_how_the_work_is_cut(tmp_path: Path) -> None:
    made = scenario(tmp_path)
    whole = run_scenario(made, tmp_path / "one")
    assert (whole.counted, whole.taken) == (12, 0)
    two = run_scenario(made, tmp_path / "two", workers=2)
    assert two.table.equals(whole.table)
    lines = (tmp_path / "one" / KEPT).read_text(encoding="utf-8").splitlines()
    (tmp_path / "cut").mkdir()
    (tmp_path / "cut" / KEPT).write_text("\n".join(lines[:7]) + "\n" + lines[7][:40], encoding="utf-8")
    again = run_scenario(made, tmp_path / "cut")
    assert (again.counted, again.taken) == (5, 7)
    assert again.table.equals(whole.table)
    fewer = run_scenario(scenario(tmp_path, TEXT.replace("[6, 12]", "12").replace("2500", "1000")), tmp_path / "one")
    assert fewer.counted == 0
    more = run_scenario(scenario(tmp_path, TEXT.replace("[6, 12]", "[4, 12]")), tmp_path / "one")
    assert more.counted == 6
    both = more.table[more.table["containers"] == 12].reset_index(drop=True)
    assert both.equals(whole.table[whole.table["containers"] == 12].reset_index(drop=True))


def test_counts_of_other_code_or_damaged_ones_are_not_added(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = scenario(tmp_path, TEXT.replace("2500", "1000"))
    run_scenario(made, tmp_path / "to")
    path = tmp_path / "to" / KEPT
    first, *rest = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([first.replace('"counts": [', '"counts": [1'), *rest]) + "\n", encoding="utf-8")
    assert run_scenario(made, tmp_path / "to").counted == 1
    monkeypatch.setattr(grid_runs, "code", lambda: "other")
    with pytest.raises(BadInput, match="another version of the kit"):
        run_scenario(made, tmp_path / "to")


@pytest.mark.slow
def test_at_the_margin_the_rule_errs_as_often_as_it_may(tmp_path: Path) -> None:
    """At most 5 % wrong within 3.5 standard errors at the margin, and with a limit that cuts off some values."""
    made = scenario(tmp_path, TEXT.replace("2500", "3000"))
    table = run_scenario(made, tmp_path / "to").table
    assert (table["wrong, %"] < 5 + 3.5 * 100 * np.sqrt(0.05 * 0.95 / 3000)).all()
    assert table.loc[table["difference"] == 5, "wrong, %"].max() > 3
    text = TEXT.replace("2500", "300").replace("[6, 12]", "8") + "limit = 97\n"
    limited = run_scenario(scenario(tmp_path, text), tmp_path / "limited").table
    assert (limited["wrong, %"] < 5 + 3.5 * 100 * np.sqrt(0.05 * 0.95 / 300)).all()
    assert limited["inconclusive, %"].min() > table["inconclusive, %"].min()


def deadly(pid_file: str, *task: object) -> object:
    """Count a block; the first process that comes here is killed meanwhile."""
    try:
        os.close(os.open(pid_file, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return count_block(*task)  # type: ignore[arg-type]
    os.kill(os.getpid(), signal.SIGKILL)
    return None


@pytest.mark.slow
@posix
def test_a_killed_process_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = scenario(tmp_path)
    whole = run_scenario(made, tmp_path / "whole").table
    monkeypatch.setattr(grid_runs, "count_block", _Deadly(str(tmp_path / "killed")))
    table = run_scenario(made, tmp_path / "hit", workers=2).table
    assert (tmp_path / "killed").exists()
    assert table.equals(whole)


class _Deadly:
    """``deadly`` with its file, as something that travels to another process."""

    def __init__(self, file: str) -> None:
        self.file = file

    def __call__(self, *task: object) -> object:
        return deadly(self.file, *task)


@posix
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_killed_worker_of_a_cluster_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The counts of a local Dask cluster of which one worker is killed in the middle, against those of this process."""
    distributed = pytest.importorskip("distributed")
    made = scenario(tmp_path)
    whole = run_scenario(made, tmp_path / "whole").table
    monkeypatch.setattr(grid_runs, "count_block", _Deadly(str(tmp_path / "killed")))
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        table = run_scenario(made, tmp_path / "hit", scheduler=cluster.scheduler_address).table
    assert (tmp_path / "killed").exists()
    assert table.equals(whole)


def test_every_fault_of_a_scenario_is_told_at_once(tmp_path: Path) -> None:
    text = ('margin = 5\nstudies = "many"\nsed = 1\n[grid]\ncontainers = [1, 12]\ntails = 2\nlost = 0.95\nhight = 3\n'
            'depths = []\n')
    with pytest.raises(BadInput) as found:
        scenario(tmp_path, text)
    assert sorted((f.column, f.row) for f in found.value.faults) == [
        ("grid.containers", 5), ("grid.depths", 9), ("grid.hight", 8), ("grid.lost", 7), ("grid.tails", 6), ("margin", 1),
        ("sed", 3), ("studies", 2)]


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "grid.toml"
    path.write_text(TEXT.replace("2500", "1000"), encoding="utf-8")
    assert main(["operating", str(path), "--to", str(tmp_path / "to"), "--workers", "1"]) == 0
    assert "4 blocks counted, 0 taken" in capsys.readouterr().out
    assert main(["operating", str(path), "--to", str(tmp_path / "to"), "--workers", "1"]) == 0
    assert "0 blocks counted, 4 taken" in capsys.readouterr().out
    assert "Margin ±5 %" in (tmp_path / "to/operating.html").read_text(encoding="utf-8")
    assert main(["operating", str(tmp_path / "none.toml"), "--to", str(tmp_path / "to")]) == 2


def test_every_study_of_a_scenario_is_in_one_task_at_its_level(tmp_path: Path) -> None:
    """2,500 studies: two whole blocks of 1,000 and a half one, each at the scenario's alpha."""
    made = scenario(tmp_path)
    tasks = list(_tasks_of(made, made.cells[0]))
    assert [t[-1] for t in tasks] == [1000, 1000, 500]
    assert [t[4] for t in tasks] == [0, 1, 2]
    assert {t[3] for t in tasks} == {made.alpha} == {0.05}


@pytest.mark.parametrize(("value", "log", "said"), [(-50, True, ""), (-99.9, True, ""), (-100, False, ""),
                                                    (-100, True, "must be above -100 per cent")])
def test_nothing_of_a_grid_falls_by_all_of_it(value: float, log: bool, said: str) -> None:
    assert _wrong("difference", value, Margin.relative(5) if log else Margin.absolute(5)) == said


def test_a_stopped_run_goes_on_with_the_blocks_that_lack(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counting replaced by a number of each block: what is kept says which block it was, and each is added once."""
    asked: list[int] = []

    def counted(key: str, cell: Cell, margin: Margin, alpha: float, block: int, studies: int) -> tuple[tuple[int, ...], str]:
        asked.append(block)
        words = (block + 1, 10 * (block + 1), studies - 11 * (block + 1))
        return (*words, *([0] * (len(COUNTED) - 3))), grid_runs.code()

    monkeypatch.setattr(grid_runs, "count_block", counted)
    made = scenario(tmp_path)
    cells = len(made.cells)
    whole = run_scenario(made, tmp_path / "to")
    assert asked == [b for b in (0, 1, 2) for _ in range(cells)]  # the first of every cell, then the second
    assert (whole.counted, whole.taken) == (3 * cells, 0)
    kept = tmp_path / "to" / KEPT
    lines = [json.loads(line) for line in kept.read_text(encoding="utf-8").splitlines()]
    blocks = [(0, 1000), (1, 1000), (2, 500)]
    assert [(x["block"], x["studies"]) for x in lines] == [b for b in blocks for _ in range(cells)]
    asked.clear()
    assert run_scenario(made, tmp_path / "to").table.equals(whole.table)
    assert asked == []
    text = kept.read_text(encoding="utf-8").splitlines()
    kept.write_text("\n".join([*text[:5], "[1]", text[5][:20]]), encoding="utf-8")
    said: list[str] = []
    again = run_scenario(made, tmp_path / "to", say=said.append)
    assert (again.counted, again.taken) == (3 * cells - 5, 5)
    assert said[0] == f"\r6 of {3 * cells} blocks"
    assert said[-1] == f"\r{3 * cells} of {3 * cells} blocks\n"
    assert again.table.equals(whole.table)
    first = whole.table.iloc[0]
    assert first[f"{COUNTED[0]}, %"] == pytest.approx(100 * (1 + 2 + 3) / 2500)
    assert first[f"{COUNTED[0]}, error"] == pytest.approx(100 * np.sqrt(6 / 2500 * (1 - 6 / 2500) / 2500))
    beyond = whole.table["difference"] == 5  # a true difference as large as the margin: homogeneous is wrong
    assert (whole.table["wrong, %"] == whole.table["homogeneous, %"].where(beyond, whole.table["stratified, %"])).all()


def test_of_none_the_error_is_that_of_one_in_all(tmp_path: Path) -> None:
    made = scenario(tmp_path)
    row = grid_runs._row(made, made.cells[0], (0,) * len(COUNTED))
    assert row["stratified, error"] == pytest.approx(100 / 2500)


@pytest.mark.parametrize(("before", "after"), [
    (None, b"new\n"), (b"", b"new\n"), (b"old\n", b"old\nnew\n"), (b"old\ncut sh", b"old\ncut sh\nnew\n")])
def test_a_line_is_added_below_one_that_was_cut_short_and_no_empty_line_elsewhere(tmp_path: Path, before: bytes | None,
                                                                                  after: bytes) -> None:
    path = tmp_path / KEPT
    if before is not None:
        path.write_bytes(before)
    with grid_runs._opened(path) as out:
        out.write("new\n")
    assert path.read_bytes() == after


def test_the_page_has_a_column_of_what_differs_and_says_once_what_is_the_same(tmp_path: Path) -> None:
    """The grid has two sizes and two differences; three significant digits."""
    made = scenario(tmp_path)
    rows = pd.DataFrame([grid_runs._row(made, c, (800, 900, 800, *([0] * (len(COUNTED) - 3)))) for c in made.cells])
    page = grid_runs._page(made, rows)
    assert re.findall(r"<th [^>]*>(.*?)</th>", page) == [
        "containers", "difference", "studies", *(f"{w}, %" for w in (*COUNTED, "wrong")), "wrong, error"]  # its share differs
    assert ("In all lines: depths 2, determinations 1, s_r 1.5, sd_container 0, sd_container_depth 2, sd_gradient 0, tails 0, "
            "lost 0, level 100, limit 0.") in page
    assert re.findall(r"<td[^>]*>(.*?)</td>", page)[:9] == ["6", "0", "2500", "32.0", "36.0", "32.0", "0", "32.0", "0.933"]


def test_a_limited_study_with_a_pair_that_cannot_be_judged_is_counted_as_one() -> None:
    """Of a depth that was drawn in one container there is no difference with a scatter; without it all is judged."""
    cell = Cell(containers=4, depths=3, s_r=1, limit=20.0, level=22)
    y = 22 + np.random.default_rng(3).normal(size=(4, 3, 1))
    y[0, 0, 0] = 19.0
    margin = Margin.absolute(6, "mg/kg")
    assert _one(y, cell, margin, 0.05)[1]
    y[1:, 2] = np.nan
    assert not _one(y, cell, margin, 0.05)[1]
