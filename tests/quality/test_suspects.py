"""Competing explanations: the right cause at the right place, rivals named, and real settling never a stop."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from studykit.quality.assess import assess
from studykit.quality.explain import Candidate, Scene, cells, scene
from studykit.quality.frame import NU, Frame, fit, rho
from studykit.quality.levels import containers
from studykit.quality.reweighted import robust_line
from studykit.quality.suspects import _again, _rivals, _says, _weak, concern_of
from tests.faults.bench import ASK, STOP, USUAL, elsewhere, explained, flags_of, right
from tests.faults.laboratory import make
from tests.faults.planted import FAULTS, settled_study, spoiled
from tests.quality_cases import build

BOTTLES = ("swap of two bottles", "swap across containers", "exchanged containers", "wrong product", "mixed container",
           "dilution", "additives diluted", "evaporation", "portion", "unit in a row", "missing purge", "heel in the zone")


@pytest.mark.few(1)
@pytest.mark.parametrize("fault", BOTTLES)
def test_right_cause_at_the_right_place(fault: str) -> None:
    lab, truth = spoiled(fault, 2, USUAL, 5)
    flags = (flags_of if fault == "portion" else explained)(lab).to_dict("records")
    assert any(right(f, truth) for f in flags), flags
    assert not any(elsewhere(f, [truth]) for f in flags if f["concern"] in (STOP, ASK)), flags


@pytest.mark.slow
def test_a_swap_names_its_rival_and_what_would_tell() -> None:
    lab, _ = spoiled("swap of two bottles", 2, USUAL, 5)
    row = assess(*lab.tables()).check("explanations").table.iloc[0]
    assert row["cause"] == "swapped samples"
    assert "own settling" in row["rivals"]
    assert "labels" in row["what_would_tell"]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["settled", "creamed", "half-settled", "layered"])
def test_a_container_that_really_separated_is_no_stop_and_is_set_aside(kind: str) -> None:
    """Bottom to top up to about 200-fold, in one container of twelve."""
    flags = explained(make(USUAL, 11, {"C04": (kind, 0.9)}))
    assert STOP not in set(flags["concern"])
    own = flags[flags["rule"].isin(["own settling", "heel in the zone"])]
    assert own["where"].str.contains("C04").any(), flags.to_string()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(200, 203))
def test_no_stop_in_settled_studies(seed: int) -> None:
    flags = explained(settled_study(USUAL, seed))
    assert STOP not in set(flags["concern"]), flags.to_string()


@pytest.mark.slow
def test_a_purge_that_was_left_out_is_told_from_exchanged_bottles() -> None:
    """Each draw holds 80 % of the one before it, the first one of another container's: no two bottles changed places.

    Where little is left of the profile it reads as a container that was mixed.
    """
    named = [set(explained(spoiled("missing purge", 2, USUAL, seed)[0])["rule"]) for seed in (31, 32, 33)]
    assert all(rules & {"missing purge", "disturbed container"} for rules in named), named
    assert any("missing purge" in rules for rules in named), named
    assert not any("swapped samples" in rules for rules in named), named


@pytest.mark.slow
def test_little_that_real_settling_explains_as_well_is_a_hint() -> None:
    """A rich lowest draw is asked about where much speaks for it, and hinted at where little does and settling fits too."""
    heel = Candidate(cause="heel in the zone", rows=(0,), columns=(0,), readings=np.zeros((1, 1)), gain=20.0, price=4.0,
                     place="bottle", rivals=(("own settling", "C01", 1.0),))
    lab = make(USUAL, 3)
    f = assess(*lab.tables()).suspects.frame
    assert concern_of(f, heel) == ASK
    assert concern_of(f, replace(heel, gain=10.0)) == "hint only"
    assert concern_of(f, replace(heel, gain=10.0, rivals=())) == ASK
    by_others = (("own settling", "C01", float("nan")),)  # several containers have settled in this analyte
    for cause, rivals in (("swapped samples", heel.rivals), ("value alone", by_others)):  # two bottles, or one reading
        assert concern_of(f, replace(heel, cause=cause, gain=10.0, rivals=rivals)) == "hint only"
        assert concern_of(f, replace(heel, cause=cause, gain=24.0, rivals=rivals)) == ASK
    # one wrong number where no other container has a layer in that analyte: settling of this one alone is no excuse
    assert concern_of(f, replace(heel, cause="value alone", gain=10.0)) == ASK


def test_the_cost_is_minus_the_log_density_of_student() -> None:
    z = np.array([0.0, 1.0, 7.0])
    # scipy's density, constant taken off
    assert rho(z) == pytest.approx(stats.t.logpdf(0, NU) - stats.t.logpdf(z, NU), rel=1e-12)
    assert rho(np.array([np.nan]))[0] == 0.0


@pytest.mark.slow
def test_readings_are_never_changed() -> None:
    lab, _ = spoiled("unit in a row", 2, USUAL, 5)
    tables = lab.tables()
    before = tables[3].copy()
    assess(*tables)
    assert tables[3].equals(before)


@pytest.mark.slow
def test_every_fault_of_the_bench_can_be_planted() -> None:
    for name in FAULTS:
        lab, truth = spoiled(name, 1, USUAL, 8)
        assert truth.causes
        assert len(lab.tables()[3]) > 100


@pytest.mark.slow
def test_an_analyte_that_reads_alike_everywhere_costs_nothing() -> None:
    """Water 40 in every bottle beside a container that has settled: the others are still looked at."""
    lab = make(USUAL, 11, {"C04": ("settled", 0.9)})
    study, containers, samples, results, *rest = lab.tables()
    name = results["analyte"].iloc[-1]
    bare = study.analytes[name].model_copy(update={"repeatability": None, "method_key": ""})  # no scatter stated either
    study = study.model_copy(update={"analytes": {**study.analytes, name: bare}})
    own = results["analyte"] == name
    alike = results.assign(value=results["value"].where(~own, 40.0))
    flags = assess(study, containers, samples, alike, *rest).check("explanations").table
    assert "own settling" in set(flags["cause"])


@pytest.fixture(scope="module")
def frame() -> Frame:
    """Twelve containers of two lots, six analytes, no fault."""
    return assess(*build(3).tables()).suspects.frame


def changed(f: Frame, changes: dict[tuple[str, ...], np.ndarray]) -> Scene:
    """The scene of the frame with the logarithms of some containers' factors added in every bottle of theirs."""
    y = f.y.copy()
    for names, logs in changes.items():
        y[f.rows["container"].isin(names)] += logs
    return scene(f, y, fit(f, y))


def test_a_price_is_the_logarithm_of_the_places_and_choices_looked_at_and_of_what_is_free(frame: Frame) -> None:
    """By hand: one of 12 containers, 5 of 6 analytes, one factor (a free number costs 3.5): ln 12 + ln 6 + 3.5."""
    found = {c.cause: c for c in containers(changed(frame, {("C05",): np.log([0.8, 0.8, 0.8, 0.8, 0.8, 1.0])}))}
    diluted = found["diluted or evaporated"]
    assert diluted.price == pytest.approx(np.log(12 * 6) + 3.5)
    assert diluted.amount == pytest.approx(0.8, rel=0.02)
    assert diluted.net > found["wrong product"].net


def test_an_exchange_of_two_containers_is_one_of_all_pairs(frame: Frame) -> None:
    """Lots that differ by 30 %, and C05 reads as C06's lot and C06 as C05's: one of 12 * 12 / 2 pairs, no free number."""
    other = tuple(n for n in frame.names if n[1:].isdigit() and int(n[1:]) % 2 == 0 and n[0] == "C")
    logs = np.log([1.3, 1 / 1.3, 1.3, 1 / 1.3, 1.3, 1 / 1.3])
    sc = changed(frame, {other: logs, ("C05",): logs, ("C06",): -logs})
    (exchange,) = (c for c in containers(sc) if c.cause == "exchanged containers")
    assert {frame.rows["container"].iloc[i] for i in exchange.rows} == {"C05", "C06"}
    assert exchange.price == pytest.approx(np.log(12 * 12 / 2))
    assert exchange.gain > 40


@pytest.mark.parametrize("factor", [100.0, 0.01])
def test_a_single_value_far_off_is_looked_at_first(frame: Frame, factor: float) -> None:
    y = frame.y.copy()
    i = int(np.flatnonzero(frame.zone)[4])
    y[i, 2] += np.log(factor)
    sc = scene(frame, y, fit(frame, y))
    found = {c.cause: c for c in cells(sc)}
    assert {(c.rows, c.columns) for c in found.values()} == {((i,), (2,))}
    assert found["unit slip"].amount == pytest.approx(factor)
    assert found["unit slip"].readings.item() == pytest.approx(frame.y[i, 2])
    # one value of all that the fit reads, a free number (3.5), and 3 more as it could be a layer
    assert found["value alone"].price == pytest.approx(np.log(np.isfinite(y[frame.at >= 0]).sum()) + 3.5 + 3)


def candidate(net: float, rows: tuple[int, ...], columns: tuple[int, ...] = (0,), cause: str = "swapped samples") -> Candidate:
    return Candidate(cause=cause, rows=rows, columns=columns, readings=np.zeros((len(rows), len(columns))), gain=net + 4.0,
                     price=4.0, place="bottle")


def test_rivals_are_other_causes_of_half_the_cells_that_come_close(frame: Frame) -> None:
    """Close: within 5 nats and a quarter of what the best one saves; each cause once, by its best."""
    best = candidate(40.0, (0, 1), (0, 1))
    tried = [best, candidate(32.0, (0, 1), (0, 1), "mixed"), candidate(31.0, (0,), (0,), "mixed"),
             candidate(20.0, (0, 1), (0, 1), "unit slip"), candidate(38.0, (4, 5), (0, 1), "drift"),
             candidate(39.0, (0, 1), (0, 1)), candidate(26.0, (0, 4), (0,), "dilution")]
    found = _rivals(SimpleNamespace(f=frame), best, tried)
    assert [(cause, behind) for cause, _, behind in found] == [("mixed", 8.0), ("dilution", 14.0)]


def test_hints_are_the_two_best_of_what_is_left_and_no_two_of_one_bottle() -> None:
    tried = [candidate(3.0, (0,)), candidate(2.0, (0, 1)), candidate(1.5, (2,)), candidate(1.0, (3,)), candidate(3.9, (4,),
             cause="value alone"), candidate(0.4, (5,))]
    assert [c.rows for c in _weak(tried)] == [(0,), (2,)]
    assert _weak(tried[-1:]) == ()


def test_a_share_is_told_in_per_cent(frame: Frame) -> None:
    told = _says(frame, frame.y, replace(candidate(9.0, (0,), cause="carry-over"), amount=0.15, detail="S007"))
    assert told == "readings hold about 15 % of the bottle before (after S007)"


def test_a_robust_line_solves_the_equations_of_students_likelihood() -> None:
    """Every column: the sum over x (NU + 1) r / (NU + r^2) is 0 at the maximum of Student's t likelihood of scale 1."""
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(40), rng.normal(size=40)])
    y = x @ [3.0, -2.0] + rng.standard_t(3, 40)
    y[0] += 25.0
    r = y - x @ robust_line(x, y, s=1.0, rounds=200)
    assert ((NU + 1) * r / (NU + r**2)) @ x == pytest.approx([0.0, 0.0], abs=1e-8)


@pytest.mark.parametrize("apart", [10.0, 0.01])
def test_readings_that_agree_to_the_digit_but_for_one_run_leave_a_line_to_be_found(apart: float) -> None:
    """Eight containers read 40 to the digit and four of another run 50: once a singular matrix. Level and shift by hand."""
    run = np.repeat([0.0, 1.0, 0.0], 4)
    assert robust_line(np.column_stack([np.ones(12), run]), 40 + apart * run) == pytest.approx([40, apart], abs=1e-6)


@pytest.mark.slow
def test_a_check_fluid_off_in_some_analytes_is_told_by_their_names() -> None:
    """Keys had stood there: P and Ca."""
    plain = assess(*make(USUAL, 5).tables()).suspects
    f = replace(plain.frame, called=tuple(f"name of {a}" for a in plain.frame.analytes))
    off = Candidate(cause="check fluid", place="run A", rows=(0,), columns=(0, 1), readings=np.zeros((1, 2)), gain=9.0,
                    price=0.0, amount=0.1)
    named = [f"name of {a}" for a in f.analytes[:2]]
    assert _says(f, plain.y, off).startswith(f"{' and '.join(named)} of the check fluid read")


@pytest.mark.parametrize(("cause", "place", "columns", "again"), [
    ("carry-over", "bottle", (0, 1), True), ("carry-over", "bottle", (0,), False),
    ("portion or dilution", "bottle", (0, 1), False)])
def test_a_bottle_held_one_share_of_what_came_before(cause: str, place: str, columns: tuple[int, ...], again: bool) -> None:
    """A slurry had one bottle's carry-over found four times, by a share each."""
    def of(columns: tuple[int, ...]) -> Candidate:
        return Candidate(cause=cause, rows=(3,), columns=columns, readings=np.zeros((1, len(columns))), gain=20.0, price=4.0,
                         place=place)

    assert _again(of(columns), [of((0, 1))]) == again
