"""Tables of the sampling notebook, and that the documentation's example is a valid section."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from studykit.sampling import tables as sampletables
from studykit.sampling.order import make_plan
from studykit.study.definition import SamplingSettings
from studykit.study.inventory import choose_containers
from studykit.study.lock import LockStatus
from studykit.study.safety import SafetySettings
from studykit.study.stages import HERE
from tests.sampling_examples import container_table, stock_rows, study

DOC = HERE.parent / "docs/02-sampling.md"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    s = study()
    return s, make_plan(s, choose_containers(container_table(stock_rows(12), tmp_path_factory.mktemp("p")), s))


def test_tables_agree_with_the_plan(made) -> None:
    _, plan = made
    zones = sampletables.zone_table(plan)
    assert zones["share, %"].sum() == pytest.approx(100)
    assert zones["depth"].tolist() == ["upper", "middle", "lower"]
    draws = sampletables.draw_table(plan)
    assert len(draws) == len(plan.draw_plans[0].draws)
    assert (draws["level before, mm"] > draws["level after, mm"]).all()
    assert sampletables.kind_table(plan)["samples"].sum() == len(plan.samples)
    runs = sampletables.run_table(plan)
    assert runs["bottles"].sum() == len(plan.submission)
    assert runs["containers"].sum() == 7
    assert sampletables.container_table(plan)["samples"].sum() == len(plan.draws)
    assert sampletables.warning_table(plan).iloc[0, 0] == "nothing to say against this plan"


def test_the_source_of_the_places_is_told(made) -> None:
    s, _ = made
    assert "ISO 3170 clause 3 and ASTM D4057; clauses from memory" in sampletables.place_source(s)
    assert "equal slices" in sampletables.place_source(study(factors={"depths": ["a", "b"]}))
    own = study(sampling={"zones": [{"label": d, "height": h} for d, h in
                                    (("upper", 0.8), ("middle", 0.5), ("lower", 0.2))]})
    assert "are those of study.toml" in sampletables.place_source(own)


def test_the_picture_and_its_words(made) -> None:
    s, plan = made
    alt = sampletables.picture_alt(plan)
    assert f"Container {plan.draw_plans[0].container}" in alt
    assert "upper 264 mm; middle 159 mm; lower 53 mm" in alt
    assert sampletables.picture(s, plan).axes


def test_notices_are_the_first_page_of_the_lock() -> None:
    status = LockStatus(state="not locked", locked_on="", seal="", changes=(), sentence="The plan is not locked yet.")
    assert sampletables.notice_table(status)["notice"].tolist() == ["The plan is not locked yet."]


def test_the_documented_section_is_valid_and_names_every_setting() -> None:
    text = DOC.read_text(encoding="utf-8")
    blocks = [tomllib.loads(b) for b in re.findall(r"```toml\n(.*?)```", text, flags=re.S)]
    (profile,) = [b["safety"] for b in blocks if "safety" in b]
    assert set(profile) == set(SafetySettings.model_fields)
    assert SafetySettings.model_validate(profile).clears("stirring")
    (data,) = [b["sampling"] for b in blocks if "sampling" in b]
    settings = SamplingSettings.model_validate(data)
    assert set(data) == set(SamplingSettings.model_fields)
    assert set(data["labels"]) == set(type(settings.labels).model_fields)


def test_the_plan_page_tells_answers_and_cautions(made) -> None:
    s, _ = made
    rows = dict(sampletables.safety_table(s).itertuples(index=False))
    assert rows["flash point, °C"] == "220.0"
    assert rows["stirring"].startswith("cleared, provided: page one signed, stood still for 30 min; contai")
    assert "**Static.**" in sampletables.cautions(s)
    assert "**Vapour.**" not in sampletables.cautions(s)


@pytest.mark.slow
def test_files_named_in_the_documentation_are_those_written(made, tmp_path: Path) -> None:
    from studykit.sampling.plan import plan as file_plan
    from studykit.study.definition import load_study
    from tests.sampling_examples import folder

    root = folder(tmp_path, stock=stock_rows(12))
    file_plan(root, load_study(root))
    text = DOC.read_text(encoding="utf-8")
    for path in (root / "plan").rglob("*"):
        if path.is_file() and path.suffix != ".xlsx":
            assert path.name in text, path.name
