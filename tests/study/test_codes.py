"""Blind codes: the check character, exhaustively; the distance; near misses; spreadsheet safety."""

from __future__ import annotations

import csv
import re
from itertools import combinations, product

import numpy as np
import openpyxl
import pandas as pd
import pytest

from studykit.study import codes
from studykit.study.codes import (
    ALPHABET,
    CONFUSED,
    EARLIER,
    alphabets_of,
    check_code,
    likely_codes,
    make_codes,
    normalise,
    with_check,
)

LETTERS = "CDFHLWX"
# made on 2026-11-25 by make_codes(4, 20260301), when codes had nineteen characters
FROZEN_EARLIER = ("HW938", "PR968", "CCTR8", "YWPK7")
# made on 2026-11-26 by make_codes(4, 20260301)
FROZEN = ("DW825", "HL86W", "C8LH5", "CDFW6")


def residue(code: str, alphabet: str = ALPHABET) -> int:
    """The congruence written out with explicit weights, independently of the Horner form in the module."""
    n = len(code)
    return sum(alphabet.index(c) * 2 ** (n - 1 - i) for i, c in enumerate(code)) % len(alphabet)


@pytest.mark.parametrize("modulus", [13, 19])
def test_weights_differ_and_none_is_zero(modulus: int) -> None:
    """2 is a primitive root of 13 and of 19: the reason why nothing gets through."""
    weights = [2**i % modulus for i in range(modulus - 1)]
    assert sorted(weights) == list(range(1, modulus))


def test_no_two_characters_of_a_new_code_are_easily_taken_for_one_another() -> None:
    """Against the list of the kit and the pairs that a reader found in the earlier alphabet, which must be found there."""
    told = ["PR", "RF", "PF", "KX", "KH", "HM", "T7", "M9"]  # the last one is no such pair: control

    def clash(alphabet: str) -> set[str]:
        return {a + b for a, b in combinations(alphabet, 2) if any(a in g and b in g for g in CONFUSED)}

    assert clash(ALPHABET) == set()
    assert {"".join(sorted(p)) for p in clash(EARLIER)} >= {"".join(sorted(p)) for p in told[:-1]}
    assert "9M" not in clash(EARLIER)


def test_codes_of_the_earlier_alphabet_are_still_read_and_checked() -> None:
    assert all(check_code(c) for c in FROZEN_EARLIER)
    assert alphabets_of(FROZEN_EARLIER) == (EARLIER,)
    for code in FROZEN_EARLIER:
        assert residue(code, EARLIER) == 1
        assert not any(check_code(code[:i] + c + code[i + 1:], (EARLIER,)) for i, c in product(range(5), EARLIER)
                       if c != code[i])
    assert alphabets_of(make_codes(30, 4)) == (ALPHABET,)
    assert alphabets_of(["S1", "S2"]) == alphabets_of([]) == ()


@pytest.mark.parametrize("body", ["W72F", "C222", "X88XW", "L4D7FH", "H25C5H7"])
def test_check_character_solves_the_congruence(body: str) -> None:
    assert residue(with_check(body)) == 1
    # exactly one of the thirteen characters does
    assert sum(residue(body + c) == 1 for c in ALPHABET) == 1


def test_every_single_misread_is_caught_for_every_code_of_five() -> None:
    """All 7 * 13^3 bodies; the arithmetic on each of the 5 places and each of the 12 wrong characters.

    A changed value moves the sum by weight * difference, whatever the other characters are, so it is
    enough to try every (place, right, wrong): 5 * 13 * 12 cases; then a sample is done on whole codes.
    """
    for place, right, wrong in product(range(5), range(13), range(13)):
        if right != wrong:
            assert (2**place * (wrong - right)) % 13 != 0
    n = 0
    for body in ("".join(p) for p in product(LETTERS, ALPHABET[::3], ALPHABET[1::4], ALPHABET[::5])):
        code = with_check(body)
        for i, c in product(range(5), ALPHABET):
            if c != code[i]:
                n += 1
                assert not check_code(code[:i] + c + code[i + 1 :], (ALPHABET,))
    assert n == 7 * 5 * 3 * 3 * 5 * 12


def test_every_exchange_of_two_characters_is_caught() -> None:
    """All pairs of places (not only neighbours) and all pairs of different characters, lengths 5 to 8."""
    for length in range(5, 9):
        for i, j in combinations(range(length), 2):
            for a, b in combinations(range(13), 2):
                assert ((2**i - 2**j) * (a - b)) % 13 != 0
    n = 0
    for code in make_codes(300, 5):
        for i, j in combinations(range(5), 2):
            if code[i] != code[j]:
                n += 1
                swapped = list(code)
                swapped[i], swapped[j] = swapped[j], swapped[i]
                assert not check_code("".join(swapped), (ALPHABET,)), (code, swapped)
    assert n > 2500


def test_every_twin_misread_is_caught() -> None:
    for i, (a, b) in product(range(7), combinations(range(13), 2)):
        assert ((2**i + 2 ** (i + 1)) * (a - b)) % 13 != 0


def test_the_check_can_fail_to_catch_two_independent_misreads() -> None:
    """Negative control: one check character cannot catch everything, and the test above would notice."""
    code = make_codes(1, 1)[0]
    others = [
        code[:2] + x + y + code[4:] for x, y in product(ALPHABET, ALPHABET) if x != code[2] and y != code[3]
    ]
    assert 6 <= sum(check_code(o, (ALPHABET,)) for o in others) <= 12


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
    old = make_codes(120, 1)
    new = make_codes(50, 2, avoid=old)
    assert min(sum(x != y for x, y in zip(p, q, strict=True)) for p, q in product(old, new)) >= 3


@pytest.mark.slow
def test_larger_studies_get_longer_codes() -> None:
    assert {len(c) for c in make_codes(300, 3)} == {5}
    assert {len(c) for c in make_codes(301, 3)} == {6}
    with pytest.raises(ValueError, match="length must be larger: only"):
        make_codes(5000, 3, length=5)
    with pytest.raises(ValueError, match="length must be from 5 to 8, but got 4"):
        make_codes(3, 3, length=4)
    with pytest.raises(ValueError, match="n must be from 0 to 20000"):
        make_codes(-1, 3)


def test_no_ambiguous_characters_and_no_words() -> None:
    assert len(set(ALPHABET)) == 13
    assert not set("0O1IJBSZGQUVNAE3") & set(ALPHABET)
    text = "".join(make_codes(300, 8))
    assert not re.search("[AEIOU]", text)


def test_a_spreadsheet_leaves_codes_alone(tmp_path) -> None:
    """Read back with type guessing on: still the same text (and '1E5', '007' would not be: control)."""
    made = [*make_codes(300, 11), *make_codes(20, 11, length=8)]
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


@pytest.mark.slow
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


def test_plain_codes_looked_at_together_collide_as_their_forms_do() -> None:
    rng = np.random.default_rng(3)
    seen = {True: 0, False: 0}
    for _ in range(200):
        drawn = ["".join(rng.choice(list("aAbB1"), 3)) for _ in range(4)]
        forms = {codes.spreadsheet_form(c) for c in drawn}
        seen[bool(codes.colliding_codes(drawn))] += 1
        assert bool(codes.colliding_codes(drawn)) == (len(forms) < len(set(drawn))), drawn
    assert min(seen.values()) > 20
