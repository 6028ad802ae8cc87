"""What a report takes from the run before after a change of study.toml: the same as worked out, and nothing of an old study."""

from __future__ import annotations

import dataclasses
import itertools

import pytest

from studykit.core import memory
from studykit.core.memory import PLACE, digest
from studykit.model.tables import fit_all
from studykit.physics.forecast import expected_curves
from studykit.quality import assess as quality
from studykit.quality import suspects
from studykit.study.definition import Margin
from studykit.verdict import expected, particles
from studykit.verdict.containers import groups
from tests.verdict_cases import demo_stage

LAYERED = "Zircon"


@pytest.fixture(scope="module")
def drums(tmp_path_factory):
    """The verdict stage of the settling demo, whose models are fitted without a memory."""
    return demo_stage("slip", tmp_path_factory.mktemp("slip") / "slip")


def frames_of(stage, monkeypatch):
    """What the search for causes is asked about by quality."""
    asked = []
    monkeypatch.setattr(quality, "search", lambda *given: (asked.append(given), suspects.search(*given))[1])
    quality.assess(stage.study, stage.containers, stage.samples, stage.results)
    return asked


def told(stage):
    """All that the remembered functions of the verdict give for a study, by name."""
    models = fit_all(stage)
    return {"curves": expected_curves(stage.study, stage.containers), "levels": expected.expectations(stage, models),
            "sizes": particles.ruled_out(stage, models), "groups": groups(stage.study, models)}


def changed(stage, **update):
    """The stage with another definition."""
    study = stage.study.model_copy(update=update)
    return dataclasses.replace(stage, tables=dataclasses.replace(stage.tables, study=study))


def with_margin(stage, key, percent):
    analyte = stage.study.analytes[key].model_copy(update={"margin": Margin(relative_percent=percent)})
    return changed(stage, analytes=stage.study.analytes | {key: analyte})


def with_component(stage, **update):
    first, *others = stage.study.components
    return changed(stage, components=(first.model_copy(update=update), *others))


def with_fluid(stage, **update):
    return changed(stage, fluid=stage.study.fluid.model_copy(update=update))


def with_containers(stage, column, change):
    """The stage whose first container has another value in a column."""
    table = stage.containers.copy()
    table.loc[table.index[0], column] = change(table.loc[table.index[0], column])
    return dataclasses.replace(stage, tables=dataclasses.replace(stage.tables, containers=table))


def with_reading(stage, factor):
    """The stage whose first number of the layered analyte is another."""
    table = stage.results.copy()
    at = table.index[(table["analyte"] == LAYERED) & (table["qualifier"] == "")][0]
    table.loc[at, "value"] *= factor
    return dataclasses.replace(stage, tables=dataclasses.replace(stage.tables, results=table))


CHANGES = {
    "margin": lambda s: with_margin(s, LAYERED, 3.0),
    "another margin": lambda s: with_margin(s, next(a for a in s.study.analytes if a != LAYERED), 3.0),
    "size": lambda s: with_component(s, diameter_um=s.study.components[0].diameter_um * 1.5),
    "density": lambda s: with_component(s, density_kg_m3=s.study.components[0].density_kg_m3 * 1.01),
    "warmth": lambda s: with_fluid(s, storage_temperature_c=s.study.fluid.storage_temperature_c + 5),
    "level": lambda s: with_containers(s, "liquid_height_mm", lambda v: v * 0.9),
    "reading": lambda s: with_reading(s, 1.05),
    "alpha": lambda s: changed(s, alpha=0.01),
}
"""One thing changed, each from the study before it."""


@pytest.mark.slow
def test_after_each_of_several_changes_in_turn_it_is_what_a_run_without_a_memory_gives(drums, tmp_path, monkeypatch):
    stage, seen = drums, list[str]()
    for change in ("as it was", *CHANGES, "another margin", "margin"):
        stage = CHANGES[change](stage) if change in CHANGES else stage
        monkeypatch.delenv(PLACE, raising=False)
        fresh = {name: digest(value) for name, value in told(stage).items()}
        monkeypatch.setenv(PLACE, str(tmp_path / "made"))
        for _ in range(2):  # what is worked out, and what is taken
            assert {name: digest(value) for name, value in told(stage).items()} == fresh, change
        seen.append(repr(fresh))
    same = {change for change, (a, b) in zip(CHANGES, itertools.pairwise(seen), strict=False) if a == b}
    assert same <= {"another margin"}  # all else is seen in what is told


def test_what_does_not_hang_on_the_margin_is_taken_from_memory(drums, tmp_path, monkeypatch):
    """After another margin of the layered analyte nothing of the settling physics is worked out again."""
    monkeypatch.setenv(PLACE, str(tmp_path / "made"))
    made, write = list[str](), memory.kept

    def kept(key, make):
        return write(key, lambda: (made.append(make.__qualname__), make())[1])

    told(drums)
    monkeypatch.setattr(memory, "kept", kept)
    told(drums)
    assert made == []
    other = with_margin(drums, LAYERED, 3.0)
    curves, models = expected_curves(other.study, other.containers), fit_all(drums)
    assert made == []
    assert expected.expectations(other, models)
    assert particles.ruled_out(other, models)
    assert made == []
    assert len(curves)


def test_the_search_for_causes_is_taken_where_no_reading_changed(drums, tmp_path, monkeypatch):
    asked = frames_of(drums, monkeypatch)
    assert asked
    fresh = [digest(suspects.search.__wrapped__(*given)) for given in asked]
    monkeypatch.setenv(PLACE, str(tmp_path / "made"))
    assert [digest(suspects.search(*given)) for given in asked] == fresh
    monkeypatch.setattr(suspects, "scene", None)  # nothing can be searched a second time
    assert [digest(suspects.search(*given)) for given in asked] == fresh
