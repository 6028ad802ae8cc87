"""Quick tests over a whole column against the same question asked of each text or row."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.intake.columns import Texts
from studykit.intake.doubts import _Forms, _joined, _middle_of_others
from studykit.intake.signs import bare


def _words(rng: np.random.Generator) -> list[str]:
    """Numbers of every form that a rule asks about, and texts that are none."""
    known = ["", ".", "9", "99", "999", "9999", "999.0", "999.00", "999.01", "45123", "45123.5", "338.341", "12.13", "0.5",
             "007", "0", "00.00", "<5", "> 9.8", "1e3", "1.2E4", "9,8", "338,341", "99.9", "-999", "1.", ".5",
             "12345678901234567890123456", "5..6", "1.2.3", "n.d.", "\u0661\u0662", "9\u20099", "54999", "55000", "30000",
             "10.10", "100.200"]
    signs = list("0123456789.")
    free = ["".join(rng.choice(signs, int(rng.integers(1, 9)))) for _ in range(300)]
    return [*known, *free]


@pytest.mark.parametrize("seed", range(10))
def test_the_form_of_texts_at_once_is_that_of_each(seed: int) -> None:
    words = _words(np.random.default_rng(seed))
    together, alone = _Forms(words), _Forms([])
    for name in ("missing", "nines", "serial", "power", "short_power", "decimals", "digits", "joined"):
        setattr(alone, name, np.zeros(len(words), dtype=getattr(together, name).dtype))
    for k, word in enumerate(words):
        alone._other(k, bare(word))
    for name in ("missing", "nines", "serial", "power", "short_power", "decimals", "digits", "joined"):
        differ = np.flatnonzero(getattr(together, name) != getattr(alone, name))
        assert not len(differ), (name, [words[k] for k in differ])
    assert all(getattr(together, name).any() for name in ("missing", "nines", "serial", "joined", "short_power", "power"))


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 10, 31])
def test_the_middle_of_the_others_is_the_median_without_oneself(n: int) -> None:
    rng = np.random.default_rng(n)
    value = np.round(rng.random(n) * 10, 1) - 1
    number = rng.random(n) < 0.8
    found = _middle_of_others(value, number)
    good = number & (value > 0)
    for i in range(n):
        rest = good.copy()
        rest[i] = False
        want = np.median(value[rest]) if rest.any() else np.nan
        np.testing.assert_equal(found[i], want)


def test_a_test_of_texts_that_hold_a_token_is_asked_only_where_one_does() -> None:
    column = Texts.of(["Result", "9.8", "result (mg/kg)", "B1"])
    asked: list[str] = []

    def begins(text: str) -> bool:
        asked.append(text)
        return text.casefold().startswith("result")

    assert column.holding({"result"}, begins, but="Result").tolist() == [True, False, True, False]
    assert len(asked) == 4
    assert not column.holding({"unit"}, begins).any()
    assert not Texts.of(["Result", "9.8"]).holding({"result"}, begins, but="Result").any()
    assert len(asked) == 4


@pytest.mark.parametrize(("words", "asked"), [
    (["525.003", "613.807", "625.715", "514.543"], []),  # a column with three decimals, one of them alike by chance
    (["525.0", "613.8", "625.7", "514.543"], ["514.543"]),
    (["221.223", "338.341", "402.399"], ["221.223", "338.341", "402.399"]),
    (["525.003", "338.341", "402.399", "514.543"], ["338.341", "402.399", "514.543"])])
def test_two_numbers_joined_by_a_sign_are_told_from_a_column_of_three_decimals(words: list[str], asked: list[str]) -> None:
    codes = np.arange(len(words))
    assert [words[k] for k in np.flatnonzero(_joined(_Forms(words), codes))] == asked
