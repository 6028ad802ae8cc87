"""Cells of determinations against pandas' group means, scatter by its textbook formula and every filling of the limits."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pandas as pd
import pytest

from studykit.inference.cells import MOST_CORNERS, CellBounds, _most_unlike
from studykit.inference.margin import Margin
from studykit.study.definition import Margin as Declared

CELL = ["container", "depth"]
PLAIN, RATIO = Margin.absolute(5), Margin.relative(20)


def drawn(seed: int, most: int = 4) -> tuple[pd.DataFrame, tuple[int, int]]:
    """Up to so many determinations a cell in tenths, some below a limit, above one, or lost; cells without any among them."""
    rng = np.random.default_rng(seed)
    shape = int(rng.integers(2, 5)), int(rng.integers(2, 4))
    cell = np.repeat(np.arange(shape[0] * shape[1]), rng.integers(0, most + 1, shape[0] * shape[1]))
    rng.shuffle(cell)
    low = rng.integers(40, 71, len(cell)) / 10
    high, kind = low.copy(), rng.random(len(cell))
    low[kind < 0.25] = 0.0
    low[kind < 0.1] = 3.9  # known between two ends on either scale
    high[(kind >= 0.25) & (kind < 0.3)] = math.inf
    low[kind > 0.9] = high[kind > 0.9] = math.nan
    low[:2] = high[:2] = [4.1, 4.2]  # so that the step is a tenth
    return pd.DataFrame({"container": cell // shape[1], "depth": cell % shape[1], "low": low, "high": high}), shape


def cells_of(table: pd.DataFrame, shape: tuple[int, int], margin: Margin, step: float = 0.1) -> CellBounds:
    return CellBounds.of_rows(table["container"].to_numpy(), table["depth"].to_numpy(), table["low"].to_numpy(float),
                              table["high"].to_numpy(float), shape=shape, margin=margin, step=step)


def on(scale: str, values: pd.Series) -> pd.Series:
    """Natural logs, of nothing and less minus infinity; or as it is."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return values if scale == "raw" else np.log(values.clip(lower=0))


def grid(values: pd.Series, shape: tuple[int, int], empty: float = math.nan) -> np.ndarray:
    """One number a cell as (n, k)."""
    index = pd.MultiIndex.from_product([range(n) for n in shape], names=CELL)
    return values.reindex(index, fill_value=empty).to_numpy(float).reshape(shape)


def noise_of(table: pd.DataFrame) -> tuple[float, float, float]:
    """Pooled sum of squares within cells of y, its degrees of freedom, the mean of 1/m over the cells."""
    each = table.groupby(CELL)["y"].agg(["var", "count"])
    many = each[each["count"] > 1]
    return float((many["var"] * (many["count"] - 1)).sum()), float((each["count"] - 1).sum()), float((1 / each["count"]).mean())


@pytest.mark.parametrize("margin", [PLAIN, RATIO], ids=["raw", "log"])
@pytest.mark.parametrize("seed", range(6))
def test_cells_are_group_means_with_their_pooled_scatter(seed: int, margin: Margin) -> None:
    table, shape = drawn(seed)
    c, scale = cells_of(table, shape, margin), margin.scale
    number = table["low"] == table["high"]
    half = np.where(number, 0.05, 0.0)
    for got, values in ((c.low, table["low"]), (c.high, table["high"]), (c.outer_low, table["low"] - half),
                        (c.outer_high, table["high"] + half)):
        want = grid(on(scale, values).dropna().groupby([table[x] for x in CELL]).mean(), shape)
        np.testing.assert_allclose(got, want, rtol=1e-12)
    np.testing.assert_array_equal(c.held, grid(table.dropna().groupby(CELL).size(), shape, 0))
    plain = table[number].assign(y=on(scale, table["low"]))
    np.testing.assert_array_equal(c.numbers, grid(plain.groupby(CELL).size(), shape, 0))
    squares = plain.groupby(CELL)["y"].agg(lambda y: float(((y - y.mean()) ** 2).sum()))
    np.testing.assert_allclose(c.squares, grid(squares, shape, 0.0), atol=1e-12)
    np.testing.assert_array_equal(c.exact, ~(c.low < c.high).any(axis=1))
    total, df, share = noise_of(plain)
    assert c.noise_df == df
    assert c.noise_se == pytest.approx(math.sqrt(2 * total / df * share))  # the scatter is far above that of rounding
    m, width = c.held, c.outer_high - c.outer_low
    known = (c.low == c.high) & np.isfinite(c.low)
    assert c.step == pytest.approx(math.sqrt(float(np.mean(width[known] ** 2 / m[known]))))
    which = np.arange(shape[0]) != 1
    part = c.taken(which)
    assert part.containers == tuple(str(i) for i in range(shape[0]) if i != 1)
    for name in ("low", "high", "outer_low", "outer_high", "exact", "held", "numbers", "squares", "noise_others"):
        np.testing.assert_array_equal(getattr(part, name), getattr(c, name)[which])
    assert (part.groups, part.group_names, part.step, part.noise_se) == (None, (), c.step, c.noise_se)


@pytest.mark.parametrize("seed", range(5))
def test_noise_with_limits_lies_within_its_span_however_they_are_filled(seed: int) -> None:
    """Numbers and limits alike as determinations, every limit at either end and between: the most is reached at a corner."""
    table, shape = drawn(20 + seed, most=2 + seed % 2)
    table = table[np.isfinite(table["high"])].reset_index(drop=True)
    table.loc[2:3, ["low", "high"]] = [[0.0, 4.0], [4.0, 6.0]]
    two = pd.DataFrame({"container": 0, "depth": 0, "low": [5.0, 5.7], "high": [5.0, 5.7]})
    table = pd.concat([table, two], ignore_index=True)
    c = cells_of(table, shape, PLAIN)
    free = np.flatnonzero(table["low"] < table["high"])
    assert 0 < len(free) < 12
    fills, found = product((0.0, 0.5, 1.0), repeat=len(free)), []
    others = np.zeros(shape[0])
    for fill in list(fills)[::1 + 3 ** len(free) // 60]:
        y = table["low"].to_numpy(float).copy()
        y[free] += np.array(fill) * (table["high"] - table["low"]).to_numpy(float)[free]
        total, df, share = noise_of(table.assign(y=y))
        found.append(math.sqrt(2 * total / df * share))
    assert c.noise_span is not None
    assert c.noise_span[0] <= min(found) * (1 + 1e-12)
    assert c.noise_span[1] >= max(found) * (1 - 1e-12)
    # the corner at which every cell scatters most, cell by cell
    alone = {}
    for cell, mine in table.groupby(CELL):
        ends = product(*({a, b} for a, b in zip(mine["low"], mine["high"], strict=True)))
        alone[cell] = max(float(np.var(e)) * len(e) for e in ends)
    _, df, share = noise_of(table.assign(y=table["low"]))
    most = math.sqrt(2 * sum(alone.values()) / df * share)
    assert c.noise_span[1] == pytest.approx(max(most, c.noise_se or 0.0))
    limited = {cell for cell, mine in table.groupby(CELL) if (mine["low"] < mine["high"]).any()}
    for i in range(shape[0]):  # were the limits of one container alike: what its cells with limits scatter is left out
        rest = sum(v for cell, v in alone.items() if cell[0] != i or cell not in limited)
        others[i] = max(math.sqrt(2 * rest / df * share), c.noise_se or 0.0)
    np.testing.assert_allclose(c.noise_others, others)


@pytest.mark.parametrize(("depths", "low", "high", "least"), [
    ((0, 0, 0), (5.0, 6.0, 4.0), (5.0, 6.0, 8.0), 2 * 0.5 / 2 / 3),  # the limit lies at 5.5, the mean of three
    ((0, 0, 0, 1), (5.0, 6.0, 4.0, 2.0), (5.0, 6.0, 8.0, 3.0), 2 * 0.5 / 2 * (1 / 3 + 1) / 2),
    ((0, 0, 1, 1), (5.0, 6.0, 2.0, 2.5), (5.0, 6.0, 3.0, 2.5), 2 * 0.5 / 2 / 2)])
def test_the_least_noise_is_that_of_limits_that_lie_at_their_means(depths, low, high, least) -> None:
    """By hand: 5 and 6 scatter by half a square; a limit between them adds none, and more determinations divide it."""
    table = pd.DataFrame({"container": 0, "depth": depths, "low": low, "high": high})
    found = cells_of(table, (1, 2), PLAIN, step=0.0)
    assert found.noise_span is not None
    assert found.noise_span[0] == pytest.approx(math.sqrt(least))


@pytest.mark.parametrize("many", range(2, MOST_CORNERS + 3))
def test_how_unlike_values_can_be_is_their_worst_corner_and_of_many_no_less(many: int) -> None:
    rng = np.random.default_rng(many)
    low = rng.normal(size=many)
    high = low + rng.exponential(1, many) * (rng.random(many) < 0.6)
    worst = max(float(np.var(x)) * many for x in product(*zip(low, high, strict=True)))
    if many <= MOST_CORNERS == 8:
        assert _most_unlike(low, high) == pytest.approx(worst)
    else:  # half of them at either end of all
        assert _most_unlike(low, high) == pytest.approx(many / 2 * 2 * (float(high.max() - low.min()) / 2) ** 2)
        assert _most_unlike(low, high) >= worst


def test_what_two_readings_say_of_noise() -> None:
    """By hand: 4 and 6 of one cell scatter by a variance of 2 on one degree of freedom; without a repeat nothing is known."""
    def told(*values: float, step: float = 0.0) -> CellBounds:
        y = np.array(values)
        return CellBounds.of_rows(np.zeros(len(y), dtype=int), np.minimum(np.arange(len(y)), 1), y, y, shape=(1, 2),
                                  margin=PLAIN, step=step)
    twice = told(5.0, 4.0, 6.0)
    assert (twice.noise_df, twice.noise_se) == (1.0, pytest.approx(math.sqrt(2 * 2.0 * (1 + 1 / 2) / 2)))
    assert twice.noise_span == (twice.noise_se, twice.noise_se)
    assert twice.noise_others is not None
    assert twice.noise_others.tolist() == [twice.noise_se]
    alike = told(5.0, 6.0, 6.0, step=0.5)
    assert alike.noise_se == pytest.approx(math.sqrt(2 * 1.0 / 12 * 0.75))  # no less than what steps of 1 scatter
    once = told(5.0, 4.0)
    assert (once.noise_se, once.noise_df, once.noise_span, once.noise_others) == (None, math.inf, None, None)
    assert once.step == 0.0
    assert told(5.0, 4.0, 5.0, 4.0, 5.0, step=1.0).step == pytest.approx(math.sqrt((1 + 1 / 4) / 2))  # one and four readings


def test_a_one_sided_margin_has_zones_against_the_mixed_container() -> None:
    y = np.array([4.0, 10.0, 10.0])
    side = Margin.declared(Declared(absolute=3.0, side="below"), "mg/kg")
    given = {"shape": (1, 3), "margin": side, "step": 0.0, "labels": ("top", "middle", "floor"), "containers": ("A",)}
    c = CellBounds.of_rows(np.zeros(3, dtype=int), np.arange(3), y, y, **given)  # type: ignore[arg-type]
    assert (c.k, c.containers) == (3, ("A",))
    assert c.pairs == tuple(("mixed container", d) for d in ("top", "middle", "floor"))
    assert c.departures is not None
    np.testing.assert_allclose(c.departures.low, [[-4, 2, 2]])  # equal shares: mean 8
    weighed = CellBounds.of_rows(np.zeros(3, dtype=int), np.arange(3), y, y, weights=np.array([[2.0, 1.0, 1.0]]), **given)  # type: ignore[arg-type]
    assert weighed.departures is not None
    np.testing.assert_allclose(weighed.departures.low, [[-3, 3, 3]])  # mean 7
    plain = cells_of(pd.DataFrame({"container": 0, "depth": range(3), "low": y, "high": y}), (1, 3), PLAIN)
    assert (plain.departures, plain.noise_part) == (None, 1.0)
    assert (plain.containers, plain.labels, plain.pairs) == (("0",), ("0", "1", "2"), (("0", "1"), ("0", "2"), ("1", "2")))
    assert c.noise_part == pytest.approx(math.sqrt((1 - 1 / 3) / 2))
