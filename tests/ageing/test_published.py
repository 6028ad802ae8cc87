"""Published shelf lives by ICH Q1E's construction, reproduced to every digit printed.

Velagaleti, R. (2008), Stability and shelf life of pharmaceutical products, section 7 of S. C. Gad (ed.), Pharmaceutical
Manufacturing Handbook: Regulations and Quality, Wiley, pp. 557-724: assay in per cent of label claim, lower limit 90 %, months
of 3 to 36; one example on each of pp. 602, 609, 613 and 615. Data and the handbook's answers as kept with the public R
package stab 0.1.9 (files inst/extdata/p602, p609, p613, p615 and readme.txt, seen; the handbook itself was not seen), and that
package's own printed tables of lower limits month by month. The handbook rounds down to whole months, as the kit does.

Ovais, M. (2007), a public worksheet for the shelf life of a single batch as per ICH: printed data and answer (seen).
"""

from __future__ import annotations

import numpy as np
import pytest

from studykit.ageing.courses import Course
from studykit.ageing.lines import Lines, fit_lines
from studykit.ageing.pooling import Choice, ich_time, pool
from studykit.ageing.reach import Passing, mean_passes
from studykit.ageing.tables import whole_time

AGES, LINEAR, LIMIT = (0, 3, 6, 9, 12, 18, 24, 36), Course(), (90.0, np.inf)
SHARED = "104.1 102.1 99.5 98.1 95.7 94.1 94.0 93.5"
BATCHES = {
    602: ["103.5 97.3 97.2 94.2 94.8 94.1 91.3 88.7"],
    609: ["102.4 98.1 99.2 97.5 95.0 96.1", "101.1 101.2 99.0 97.2 96.4 95.5 94.3", SHARED],
    613: ["99.2 97.1 96.1 95.2 93.8 93.1 92.4", "98.7 97.0 96.2 95.1 94.2 93.3", "102.5 98.9 97.1 95.6 94.1 93.1"],
    615: ["98.4 96.1 94.2 93.5 90.0 89.1 89.2 87.3", "99.1 97.2 96.3 95.2 93.4 91.5 90.3", SHARED],
}  # fmt: skip


def _page(page: int) -> tuple[np.ndarray, np.ndarray, list[int]]:
    """Assay, months and batch of one example."""
    found = [(float(v), AGES[k], b) for b, line in enumerate(BATCHES[page], 1) for k, v in enumerate(line.split())]
    return np.array([r[0] for r in found]), np.array([r[1] for r in found], dtype=float), [r[2] for r in found]


def _line(values: np.ndarray, months: np.ndarray) -> Lines:
    return fit_lines(values, LINEAR.line(months), np.arange(len(months)), "equal")


def _passes(values: np.ndarray, months: np.ndarray) -> Passing:
    return mean_passes(_line(values, months), LINEAR, LIMIT, alpha=0.05, span=(0.0, float(months.max())), stop=200.0)


def _time(page: int, choice: Choice) -> float:
    y, t, batch = _page(page)
    return ich_time(y, t, batch, LINEAR, LIMIT, choice=choice, span=(0.0, float(t.max())), stop=200.0)


def _lower(values: np.ndarray, months: np.ndarray, at: float) -> float:
    """One-sided lower 95 % limit of the line at a month; t 0.95 at 6, 19, 5 and 4 degrees of freedom from printed tables."""
    found, points = _line(values, months).at(LINEAR.line([at])), {6: 1.943180, 19: 1.729133, 5: 2.015048, 4: 2.131847}
    return float(found.estimate[0, 0] - points[int(found.df[0])] * found.se[0, 0])


def test_a_single_batch_has_the_published_23_months() -> None:
    y, t, _ = _page(602)
    # printed: assay = 99.63951 - 0.33348 months; lower limit 90.13227 at 23 months, 89.71571 at 24
    assert _line(y, t).beta[0] == pytest.approx([99.63951, -0.33348], abs=5.1e-6)
    assert [_lower(y, t, m) for m in (23, 24)] == pytest.approx([90.13227, 89.71571], abs=1e-5)
    assert whole_time(float(_passes(y, t).safe[0])) == "23 months"


def test_three_alike_batches_are_pooled_to_the_published_32_months() -> None:
    y, t, batch = _page(609)
    found = pool(y, t, batch, LINEAR)
    assert (found.choice, found.rates_p) == ("one line", pytest.approx(0.9487691, abs=1e-7))
    assert _line(y, t).beta[0] == pytest.approx([100.92716, -0.28671], abs=5.1e-6)
    assert [_lower(y, t, m) for m in (32, 33)] == pytest.approx([90.27716, 89.93145], abs=1e-5)
    assert whole_time(_time(609, "one line")) == "32 months"
    # one batch alone would allow 21 months only: pooling is what reaches 32
    assert whole_time(_time(609, "own lines")) == "21 months"


def test_three_batches_of_own_rates_have_the_published_24_23_and_17_months() -> None:
    y, t, batch = _page(613)
    found = pool(y, t, batch, LINEAR)
    assert (found.choice, found.rates_p) == ("own lines", pytest.approx(0.02392274, abs=1e-8))
    own = [np.array(batch) == b for b in (1, 2, 3)]
    assert np.concatenate([_line(y[o], t[o]).beta[0] for o in own]) == pytest.approx(
        [98.04611, -0.2697605, 98.11571, -0.2957143, 100.91, -0.5033333], abs=5.1e-6)
    assert [_lower(y[o], t[o], m) for o, m in zip(own, (24, 23, 17), strict=True)] == pytest.approx(
        [90.31585, 90.16980, 90.38614], abs=1e-5)
    assert [whole_time(float(_passes(y[o], t[o]).safe[0])) for o in own] == ["24 months", "23 months", "17 months"]
    assert whole_time(_time(613, found.choice)) == "17 months"


def test_three_batches_of_one_rate() -> None:
    """The handbook printed 16, 22 and 30 months for the batches; two other programs printed 17 for the earliest, as the kit."""
    y, t, batch = _page(615)
    found = pool(y, t, batch, LINEAR)
    assert (found.choice, found.rates_p) == ("common rate", pytest.approx(0.6998373, abs=1e-7))
    assert whole_time(_time(615, "common rate")) == "17 months"
    # by lines of their own the first and the last batch have the handbook's months; its 22 for the second is not found so
    own = [np.array(batch) == b for b in (1, 2, 3)]
    assert [whole_time(float(_passes(y[o], t[o]).safe[0])) for o in own] == ["16 months", "21 months", "30 months"]
    assert whole_time(_time(615, "own lines")) == "16 months"


def test_a_worksheet_printed_both_ends_of_the_interval() -> None:
    t = np.array([0, 1, 3, 6, 9, 12, 18, 24, 48, 54], dtype=float)
    y = np.array([103.50, 104.00, 102.00, 101.85, 100.25, 101.00, 95.00, 98.50, 97.25, 95.00])
    line, found = _line(y, t), _passes(y, t)
    # printed: intercept 102.273 (SE 0.872), slope -0.139 (SE 0.034), residual SD 1.9892; roots 64.770 and 149.322 months
    assert line.beta[0] == pytest.approx([102.273, -0.139], abs=5e-4)
    assert np.sqrt(np.diagonal(line.covariance[0])) == pytest.approx([0.872, 0.034], abs=5e-4)
    assert float(np.sqrt(line.scatter[0])) == pytest.approx(1.9892, abs=5e-5)
    assert (float(found.safe[0]), float(found.latest[0])) == pytest.approx((64.770, 149.322), abs=5e-4)
