"""Boards of sliders without a browser: names, numbers equal to the library's, every slider moves them, the still form."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from studykit.design.cheapest import Aim, Costs, Limits
from studykit.design.operating import DesignSize, chances
from studykit.design.world import explore, few
from studykit.notebook import sliders
from studykit.notebook.board import Board, slider
from studykit.notebook.explorer import NAME, Desk, study_drawing
from studykit.notebook.settling import controls, read_out
from studykit.physics.trial import Trial
from studykit.plot.profiles import THIN
from studykit.study.definition import Assumption

COSTS = Costs(container=40, sample=10, determination=6)
P = Aim(analyte="P", guess=Assumption(s_r=2.0, gradient=100 * math.log1p(0.03)), margin=100 * math.log1p(0.05), unit="%",
        relative=True)
WATER = Aim(analyte="water", guess=Assumption(s_r=12.0, sd_container=5.0), margin=50.0, unit="mg/kg")
DESK = Desk(aims=(P, WATER), size=DesignSize(containers=6, depths=3), costs=COSTS, limits=Limits(depths=(3,)))
DROPLET = Trial(diameter_um=3.0, excess_kg_m3=75.0, viscosity_mpa_s=300.0, temperature_c=18.0, swing_c=0.0, height_mm=350.0,
                months=36.0, depths=("upper", "middle", "lower"))


def board(desk: Desk = DESK) -> Board:
    return Board(NAME, desk.controls, desk.read_out)


def settling() -> Board:
    return Board("s", lambda _: controls(DROPLET), lambda at: read_out(DROPLET, at))


def put(made: Board, name: str, at: int) -> None:
    made.move([at if c.name == name else c.at for c in made.controls])


def row(made: Board, what: str) -> object:
    return dict(zip(made.table()["quantity"], made.table()["value"], strict=True))[what]


def test_it_begins_at_the_plan_of_the_study() -> None:
    made = board()
    exact = chances(DesignSize(containers=6, depths=3), P.guess, P.margin)
    # one standard error of the studies that a move counts, three times
    assert row(made, "chance of homogeneous") == pytest.approx(100 * exact.homogeneous, abs=300 * 0.5 / math.sqrt(few(3)))
    assert row(made, "cost") == 6 * 40 + 18 * 10 + 18 * 6
    assert made.values()["margin, ±"] == pytest.approx(5)
    assert made.values()["true difference, lowest minus top"] == pytest.approx(3)


@pytest.mark.few(1)
@pytest.mark.parametrize("make", [board, settling])
def test_every_slider_has_a_name_and_moves_what_is_said(make) -> None:
    names = [c.name for c in make().controls]
    assert len(set(names)) == len(names)
    for name in names:
        made = make()
        before = (made.said.sentences, made.said.drawings)
        now = next(c for c in made.controls if c.name == name)
        put(made, name, len(now.values) - 1 if now.at < len(now.values) - 1 else 0)
        assert (made.said.sentences, made.said.drawings) != before, name


def test_no_two_stops_of_a_slider_read_alike() -> None:
    made = slider("s", 1.5, [1.4, 1.499999, 1.5000001, 1.6], "%")
    assert (made.texts, made.text, made.value) == (("1.4", "1.5", "1.6"), "1.5", 1.5)
    for c in (c for made in (board(), settling()) for c in made.controls):
        assert len({*c.texts}) == len(c.texts), c.name


def test_numbers_have_units_where_they_are_no_counts() -> None:
    for made in (board(), settling()):
        bare = [c.name for c in made.controls if not c.unit and not c.choice]
        assert set(bare) <= {"containers", "depths", "determinations of a sample", "study drawn, number"}
        assert all(len(c.texts) == len(c.values) and c.texts[c.at] for c in made.controls)


def test_scatter_of_levels_moves_the_study_drawn_and_no_chance() -> None:
    made = board()
    before = made.said
    put(made, "scatter of levels of containers", 40)
    assert made.said.sentences[0] == before.sentences[0]
    assert made.said.drawings[1] != before.drawings[1]
    put(made, "scatter of profiles of containers", 20)
    assert made.said.sentences[0] != before.sentences[0]


def test_choosing_another_analyte_puts_its_own_values() -> None:
    made = board()
    put(made, "containers", 20)
    put(made, "analyte", 1)
    assert made.values()["containers"] == 6
    assert (made.values()["margin, ±"], made.values()["scatter of a determination"]) == pytest.approx((50, 12))
    assert "mg/kg" in made.said.sentences[0]


def test_without_prices_nothing_is_called_cheapest() -> None:
    made = board(replace(DESK, costs=Costs(container=0, sample=0, determination=0)))
    assert made.said.sentences[1] == "No prices are set, so no design is the cheapest."
    assert "cheapest design that will do" not in set(made.table()["quantity"])


def test_drawings_are_valid_and_say_in_words_what_they_show() -> None:
    for made in (board(), settling()):
        for text in made.said.drawings:
            root = ET.fromstring(text)
            assert len(root.attrib["aria-label"]) > 40
            assert any(e.tag.endswith("polyline") for e in root.iter())
    root = ET.fromstring(board().said.drawings[0])
    lines = [e.attrib for e in root.iter() if e.tag.endswith("polyline")]
    first = [e["points"].split()[0] for e in lines if e["stroke-width"] == "1.6"]
    # nothing settled: the chance of "homogeneous" is drawn, 174 px high for 100 %
    still = chances(DesignSize(containers=6, depths=3), P.with_gradient(0.0).guess, P.margin, studies=few(3))
    assert (186 - float(first[0].split(",")[1])) / 174 == pytest.approx(still.homogeneous, abs=1e-3)


def test_a_still_form_where_nobody_sits(capsys: pytest.CaptureFixture[str]) -> None:
    assert not sliders.person()
    sliders.show(board())
    assert "scatter of profiles of containers" in capsys.readouterr().out
    shown = board().still()["text/html"]
    assert "<table" in shown
    assert shown.count("<svg") == 2


@pytest.mark.parametrize("asks", [True, False])
def test_whether_a_person_sits_there_is_read_from_the_cells_own_message(monkeypatch: pytest.MonkeyPatch, asks: bool) -> None:
    class Kernel:
        def get_parent(self) -> dict[str, object]:
            return {"content": {"allow_stdin": asks}}

    monkeypatch.setattr(sliders, "get_ipython", lambda: type("Shell", (), {"kernel": Kernel()})())
    assert sliders.person() is asks
    put_out: list[dict[str, str]] = []
    monkeypatch.setattr(sliders, "display", lambda data, raw: put_out.append(data))
    frozen: list[bool] = []
    monkeypatch.setattr(sliders.gc, "freeze", lambda: frozen.append(True))
    sliders.show(board())
    assert frozen == [True] * asks  # no full collection of garbage in the middle of a move
    still, *more = put_out
    assert {*still} == {"text/html", "text/plain"}
    assert "<table" in still["text/html"]
    assert [{*data} for data in more] == [{"application/vnd.jupyter.widget-view+json"}] * asks
    assert still["text/html"].startswith('<div id="sk-still-') is asks


def test_the_widget_takes_positions_and_gives_sentences_and_drawings() -> None:
    from studykit.notebook.live import Sliders

    made = Sliders(board())
    assert [c["name"] for c in made.controls][:2] == ["analyte", "containers"]
    before = (made.sentences, made.drawings)
    made.at = [made.at[0], 40, *made.at[2:]]
    assert made.sentences[0].startswith("41 containers")
    assert made.drawings != before[1]
    made.at = [1, *made.at[1:]]
    assert made.controls[4]["unit"] == "mg/kg"
    assert made.at[1] == 5  # back at what the study says


@pytest.mark.parametrize(("containers", "lines", "said"), [
    (120, 120, "study drawn. "), (400, 120, "study drawn, 120 of its 400 containers. ")])
def test_of_a_large_study_some_containers_are_drawn(containers: int, lines: int, said: str) -> None:
    size = DesignSize(containers=containers, depths=3)
    drawn = study_drawing(explore(P, size, COSTS, Limits(depths=(3,)), target=0.8, alpha=0.05, number=1))
    assert drawn.count(f'stroke="{THIN}"') == lines
    assert said in drawn
