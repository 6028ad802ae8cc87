"""Blind codes: the check character, exhaustively; the distance; near misses; spreadsheet safety."""

from __future__ import annotations

import csv
import re
from itertools import combinations, product

import openpyxl
import pandas as pd
import pytest

from studykit.study import codes
from studykit.study.codes import ALPHABET, LETTERS, check_code, likely_codes, make_codes, normalise, with_check

# made on 2026-11-25 by make_codes(4, 20260301)
FROZEN = ("HW938", "PR968", "CCTR8", "YWPK7")


def residue(code: str) -> int:
    """The congruence written out with explicit weights, independently of the Horner form in the module."""
    n = len(code)
    return sum(ALPHABET.index(c) * 2 ** (n - 1 - i) for i, c in enumerate(code)) % 19


def test_weights_differ_and_none_is_zero() -> None:
    """2 is a primitive root of 19: the reason why nothing gets through (18 positions)."""
    weights = [2**i % 19 for i in range(18)]
    assert sorted(weights) == list(range(1, 19))


@pytest.mark.parametrize("body", ["K72P", "C222", "Y99YX", "T4K7PM", "R23C5H7"])
def test_check_character_solves_the_congruence(body: str) -> None:
    assert residue(with_check(body)) == 1
    # exactly one of the nineteen characters does
    assert sum(residue(body + c) == 1 for c in ALPHABET) == 1


def test_every_single_misread_is_caught_for_every_code_of_five() -> None:
    """All 11 * 19^3 bodies; the arithmetic on each of the 5 places and each of the 18 wrong characters.

    A changed value moves the sum by weight * difference, whatever the other characters are, so it is
    enough to try every (place, right, wrong): 5 * 19 * 18 cases; then a sample is done on whole codes.
    """
    for place, right, wrong in product(range(5), range(19), range(19)):
        if right != wrong:
            assert (2**place * (wrong - right)) % 19 != 0
    n = 0
    for body in ("".join(p) for p in product(LETTERS, ALPHABET[::3], ALPHABET[1::4], ALPHABET[::5])):
        code = with_check(body)
        for i, c in product(range(5), ALPHABET):
            if c != code[i]:
                n += 1
                assert not check_code(code[:i] + c + code[i + 1 :])
    assert n == 11 * 7 * 5 * 4 * 5 * 18


def test_every_exchange_of_two_characters_is_caught() -> None:
    """All pairs of places (not only neighbours) and all pairs of different characters, lengths 5 to 8."""
    for length in range(5, 9):
        for i, j in combinations(range(length), 2):
            for a, b in combinations(range(19), 2):
                assert ((2**i - 2**j) * (a - b)) % 19 != 0
    n = 0
    for code in make_codes(400, 5):
        for i, j in combinations(range(5), 2):
            if code[i] != code[j]:
                n += 1
                swapped = list(code)
                swapped[i], swapped[j] = swapped[j], swapped[i]
                assert not check_code("".join(swapped)), (code, swapped)
    assert n > 3500


def test_every_twin_misread_is_caught() -> None:
    for i, (a, b) in product(range(7), combinations(range(19), 2)):
        assert ((2**i + 2 ** (i + 1)) * (a - b)) % 19 != 0


def test_the_check_can_fail_to_catch_two_independent_misreads() -> None:
    """Negative control: one check character cannot catch everything, and the test above would notice."""
    code = make_codes(1, 1)[0]
    others = [
        code[:2] + x + y + code[4:] for x, y in product(ALPHABET, ALPHABET) if x != code[2] and y != code[3]
    ]
    assert 10 <= sum(check_code(o) for o in others) <= 18


def test_codes_are_seeded_distinct_and_three_apart() -> None:
    a = make_codes(300, 20260301)
    assert a == make_codes(300, 20260301)
    assert a != make_codes(300, 20260302)
    assert len(set(a)) == 300
    assert all(check_code(c) for c in a)
    assert min(sum(x != y for x, y in zip(p, q, strict=True)) for p, q in combinations(a, 2)) >= 3


def test_codes_do_not_change_with_the_version_of_python_or_of_this_kit() -> None:
    """A stored study must find its codes again: frozen here, made 2026-11-25 by this module."""
    assert make_codes(4, 20260301) == FROZEN


def test_new_codes_keep_away_from_those_in_use() -> None:
    old = make_codes(200, 1)
    new = make_codes(50, 2, avoid=old)
    assert min(sum(x != y for x, y in zip(p, q, strict=True)) for p, q in product(old, new)) >= 3


def test_larger_studies_get_longer_codes() -> None:
    assert {len(c) for c in make_codes(500, 3)} == {5}
    assert {len(c) for c in make_codes(501, 3)} == {6}
    with pytest.raises(ValueError, match="length must be larger: only"):
        make_codes(5000, 3, length=5)
    with pytest.raises(ValueError, match="length must be from 5 to 8, but got 4"):
        make_codes(3, 3, length=4)
    with pytest.raises(ValueError, match="n must be from 0 to 20000"):
        make_codes(-1, 3)


def test_no_ambiguous_characters_and_no_words() -> None:
    assert len(set(ALPHABET)) == 19
    assert not set("0O1ILJBSZGQUVDNAE") & set(ALPHABET)
    text = "".join(make_codes(500, 8))
    assert not re.search("[AEIOU]", text)


def test_a_spreadsheet_leaves_codes_alone(tmp_path) -> None:
    """Read back with type guessing on: still the same text (and '1E5', '007' would not be: control)."""
    made = [*make_codes(500, 11), *make_codes(20, 11, length=8)]
    path = tmp_path / "codes.csv"
    with path.open("w", newline="", encoding="utf-8") as f:
        csv.writer(f).writerows([["sample"], *([c] for c in made)])
    assert pd.read_csv(path)["sample"].tolist() == made
    for code in made:
        assert code[0].isalpha()
        assert any(c.isdigit() for c in code)
        with pytest.raises(ValueError):
            float(code)
    months = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"]
    assert not any(m in c for c in made for m in months)
    bad = tmp_path / "bad.csv"
    bad.write_text("sample\n1E5\n007\n", encoding="utf-8")
    assert pd.read_csv(bad)["sample"].tolist() == [100000.0, 7.0]
    book = openpyxl.Workbook()
    book.active.append(made[:3])
    assert [c.data_type for c in book.active[1]] == ["s", "s", "s"]


@pytest.mark.parametrize("text", ["", "K72", "1E5", "007", "22222", "K7-", "K72PXK72PXX", "Ω72PX", "KKKKK"])
def test_what_is_not_a_code(text: str) -> None:
    assert not check_code(text)


def test_typing_habits_are_forgiven() -> None:
    code = make_codes(1, 4)[0]
    assert check_code(f" {code[:2].lower()}-{code[2:].lower()} ")
    assert normalise(" k7–2 px\n") == "K72PX"


def test_a_misread_code_points_back_to_its_own() -> None:
    known = make_codes(120, 6)
    for code in known[:3]:
        for i, c in product(range(5), ALPHABET + "OIZSBG01"):
            if c != code[i]:
                assert code in likely_codes(code[:i] + c + code[i + 1 :], known)
        assert code in likely_codes(code[1] + code[0] + code[2:], known)
        assert code in likely_codes(code[:-1], known)
    assert likely_codes("QQQQQ", known) == ()
    assert likely_codes("K72PX", ()) == ()


def test_misread_distance_by_hand() -> None:
    assert codes.misread_distance("K72PX", "K72PX") == 0
    assert codes.misread_distance("K7ZPX", "K72PX") == pytest.approx(0.4)  # Z for 2
    assert codes.misread_distance("K27PX", "K72PX") == 1  # neighbours exchanged
    assert codes.misread_distance("K72P", "K72PX") == 1  # one lost
    assert codes.misread_distance("K72PXX", "K72PX") == 1  # one added
    assert codes.misread_distance("C72P4", "K72PX") == 2


def test_shuffle_is_a_permutation_and_uniform() -> None:
    rng = codes.generator(1, "test")
    counts: dict[tuple[int, ...], int] = {}
    for _ in range(6000):
        p = codes.shuffled(range(3), rng)
        counts[p] = counts.get(p, 0) + 1
    assert len(counts) == 6
    # chi-square, 5 df, 0.999 quantile 20.5 (from memory; scipy.stats.chi2.ppf(0.999, 5) = 20.515)
    assert sum((c - 1000) ** 2 / 1000 for c in counts.values()) < 20.5


def test_body_outside_the_alphabet_is_refused() -> None:
    with pytest.raises(ValueError, match="body must use the characters"):
        with_check("O0I1")
