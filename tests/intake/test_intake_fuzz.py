"""Mutated laboratory files: a fast subset of ``python -m tests.intake.fuzz``, and proof that its checks can fail."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from studykit.core.errors import BadInput, Fault
from studykit.intake.take import IntakeOutcome
from tests.intake import fuzz
from tests.intake.fuzz import SilentError, check_plain, check_text, one, run, time_limit
from tests.intake.fuzz_seeds import Seed, seeds

ALL = seeds()


def seed_of(name: str) -> Seed:
    return next(s for s in ALL if s.name == name)


@pytest.mark.parametrize("seed", ALL, ids=lambda s: s.name)
def test_every_seed_is_read_whole(tmp_path: Path, seed: Seed) -> None:
    got = run(tmp_path, seed, seed.data)
    assert isinstance(got, IntakeOutcome)
    assert got.rejected.empty
    assert len(got.results) == (40 if seed.name == "twice.csv" else 30)
    if seed.encoding:
        assert check_text(seed, seed.data, got) == "read"


@pytest.mark.slow
@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(ALL), st.integers(min_value=0, max_value=2**32))
def test_mutated_files_are_read_as_they_stand_or_refused(tmp_path: Path, seed: Seed, number: int) -> None:
    assert one(seed, random.Random(number), tmp_path) in ("read", "read in part", "refused")


def test_a_changed_value_a_lost_row_and_a_wrong_row_are_caught(tmp_path: Path) -> None:
    seed = seed_of("found.csv")
    got = run(tmp_path, seed, seed.data)
    assert isinstance(got, IntakeOutcome)
    results = got.results.copy()
    results.loc[3, "value"] += 0.001
    with pytest.raises(SilentError, match="the file holds"):
        check_text(seed, seed.data, replace(got, results=results))
    files = got.files.assign(rows_in=29, taken=29)
    with pytest.raises(SilentError, match="was lost"):
        check_text(seed, seed.data, replace(got, results=got.results.drop(index=5), files=files))
    results = got.results.copy()
    results.loc[3, "source_row"] += 1
    with pytest.raises(SilentError, match="is not what the line holds"):
        check_text(seed, seed.data, replace(got, results=results))
    with pytest.raises(SilentError, match="29 taken"):
        check_plain(seed, replace(got, files=got.files.assign(taken=29)))


def test_a_vague_refusal_is_caught() -> None:
    with pytest.raises(SilentError, match="without reason or remedy"):
        check_plain(seed_of("found.csv"), BadInput([Fault(file="raw/found.csv", reason="bad")]))
    with pytest.raises(SilentError, match="a fault names 'x'"):
        check_plain(seed_of("found.csv"), BadInput([Fault(file="x", reason="bad", remedy="good")]))


def test_a_hang_is_caught() -> None:
    with pytest.raises(SilentError, match="takes more than"), time_limit(0.05):
        sum(k % 7 for k in range(10**9))


def test_a_reader_that_guesses_is_caught(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the sign check of numbers taken out, the mutation test must fail."""
    from studykit.core import numbertext as numeric
    from studykit.intake import values

    def guess(text: str, form: numeric.NumberFormat = numeric.POINT) -> numeric.Number:
        return real(text.replace(",", "."), numeric.POINT)

    real = values.parse_number
    monkeypatch.setattr(values, "parse_number", guess)
    seed = seed_of("brackets.csv")
    with pytest.raises(SilentError):
        tuple(one(seed, random.Random(number), tmp_path) for number in range(150))
    assert fuzz.SECONDS == 5.0
