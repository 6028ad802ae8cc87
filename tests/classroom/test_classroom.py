"""A class from its making to the reveal, as a teacher runs it and as students try to cheat it."""

from __future__ import annotations

import json
import math
import re
import shutil
import time
import tomllib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.classroom import deliver, make, orders, reveal, safe, terms, worlds
from studykit.classroom.laboratory import Line, measure, plant
from studykit.classroom.page import alt_of, class_figure, class_page
from studykit.commands.cli import main
from studykit.commands.plan import opening
from studykit.commands.teaching import _instead
from studykit.core.errors import BadInput
from studykit.core.files import write_bytes
from studykit.sampling.plan import _tables, draft, plan
from studykit.study.definition import load_study, parse_study
from studykit.study.lock import lock_folder, promises
from studykit.study.margins import change_margin
from studykit.study.seal import seal_of
from studykit.study.tables import load_tables

PHRASE = "kettle anchor violet ladder"
NAMES = ("ada", "ben")


def planned(folder: Path, kegs: int = 4) -> Path:
    """A student's folder with a plan of so many kegs (no printed sheets, which take a second each), locked."""
    text = (folder / "study.toml").read_text(encoding="utf-8").replace("containers = 8 ", f"containers = {kegs} ")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    made, _ = draft(folder, load_study(folder))
    for name, data in _tables(made, True).items():
        write_bytes(folder / name, data)
    lock_folder(folder)
    return folder


@pytest.fixture(scope="module")
def sold(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A class whose three students planned, locked, ordered and were served."""
    root = tmp_path_factory.mktemp("class") / "harbour"
    with pytest.MonkeyPatch.context() as patch:  # one class of many, the same in every run
        patch.setattr(make, "secrets", SimpleNamespace(token_bytes=bytes, token_hex=lambda n: "0" * n))
        make.make_class(root, NAMES, 1200, PHRASE)
    for name in NAMES:
        orders.write_order(planned(root / "students" / name))
    assert [d.state for d in deliver.deliver(root, PHRASE)] == ["delivered"] * 2
    return root


@pytest.fixture
def root(sold: Path, tmp_path: Path) -> Path:
    """A copy of that class, to be spoilt."""
    return Path(shutil.copytree(sold, tmp_path / "harbour"))


def edited(path: Path, **changes: object) -> None:
    """A JSON file with some of its keys changed."""
    path.write_text(json.dumps(json.loads(path.read_text(encoding="utf-8")) | changes), encoding="utf-8")


def handed(root: Path, student: str) -> reveal.Handed:
    """What the reveal makes of one student's folder."""
    data = safe.unseal(root, PHRASE)
    entry = data["students"][student]
    return reveal.look(root / "students" / student, worlds.world_of(bytes.fromhex(data["secret"]), entry["number"]), entry)


def refused(root: Path, student: str) -> str:
    """Why the newest order of a student was refused."""
    last = [d for d in deliver.deliver(root, PHRASE) if d.student == student][-1]
    assert last.state == "refused"
    return " ".join(f.line() for f in last.faults)


# ---- what a teacher does


@pytest.mark.slow
def test_a_delivery_that_stops_halfway_is_paid_for_and_laid_by_the_next(root, monkeypatch):
    write_order = orders.write_order(root / "students/ada", [next(iter(json.loads(
        (root / "students/ada/orders/order-1.json").read_bytes())["bottles"]))])
    with monkeypatch.context() as patch:
        patch.setattr(deliver, "write_beside", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            deliver.deliver(root, PHRASE)
    assert safe.unseal(root, PHRASE)["students"]["ada"]["orders"][1]["cost"] == write_order.cost
    lost = root / "students/ada/raw/.laboratory-2.csv.x.part"
    lost.touch()
    assert {d.state for d in deliver.deliver(root, PHRASE)} == {"delivered before"}
    assert (root / "students/ada/raw/laboratory-2.csv").is_file()
    assert not lost.exists()


@pytest.mark.slow
def test_the_truth_is_told_after_the_class_is_closed(root, monkeypatch):
    monkeypatch.setattr(reveal, "_write", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        reveal.reveal(root, PHRASE)
    with pytest.raises(BadInput, match="nothing is sold any more"):
        deliver.deliver(root, PHRASE)


@pytest.mark.slow
def test_one_teacher_at_a_time(root):
    with safe.one_teacher(root, "reveal"), pytest.raises(BadInput, match="studykit reveal"):
        deliver.deliver(root, PHRASE)


@pytest.mark.slow
def test_only_what_was_paid_for_is_there(sold):
    lab = pd.read_csv(sold / "students/ada/raw/laboratory-1.csv", skiprows=[1])
    order = json.loads((sold / "students/ada/orders/order-1.json").read_text())
    assert set(lab["Bottle"]) <= set(order["bottles"])
    assert len(lab) >= len(order["bottles"]) - 1  # one bottle may have broken
    ledger = safe.unseal(sold, PHRASE)["students"]["ada"]["orders"][0]
    kegs = {x["container"] for x in ledger["lines"]} - {""}
    assert ledger["cost"] == 40 * len(kegs) + 16 * len(order["bottles"])


@pytest.mark.slow
def test_the_reveal_scores_and_tells_the_truth_of_each(root):
    folder = root / "students/ada"
    told = safe.unseal(root, PHRASE)["students"]["ada"]["faults"]
    seen = f"{told[0]['places'][0]},{told[0]['kind']},seen"
    (folder / "findings.csv").write_text(f"where,kind,note\n{seen}\nK99,lost bottle,guess\n")
    found = reveal.reveal(root, PHRASE)
    row = found.scores.set_index("student").loc["ada"]
    assert (row["found"], row["kind named"], row["missed"], row["false alarms"]) == (1, 1, len(told) - 1, 1)
    assert row["words right"] + row["words open"] + row["words wrong"] == 5
    assert (row["intervals"], row["remarks"]) == (15, "findings.csv: no bottle, keg or run: K99")
    truth = json.loads((folder / "truth.json").read_text())
    own = found.intervals[(found.intervals["student"] == "ada") & (found.intervals["analyte"] == "P")]
    assert truth["true_differences"]["P"] == pytest.approx(dict(zip(own["pair"], own["truth"], strict=True)), abs=1e-3)
    page = (root / "teacher/class.html").read_text(encoding="utf-8")
    assert 'alt="2 students.' in page
    assert "http" not in page.replace("http-equiv", "")
    assert f"<td>1 of {len(told)}</td>" in page
    lazy = pd.concat([found.scores, found.scores.tail(1).assign(student="cleo", cost=0, **{"words open": 5})])
    assert alt_of(lazy) == alt_of(found.scores)  # who bought nothing is named, and counts nowhere
    assert "Bought nothing, and not counted: cleo." in class_page(lazy, found.faults, b"", "").decode()
    with pytest.raises(BadInput, match="revealed"):
        deliver.deliver(root, PHRASE)


@pytest.mark.slow
def test_further_determinations_are_bought_and_differ_from_the_first(root):
    folder = root / "students/ben"
    lab = pd.read_csv(folder / "raw/laboratory-1.csv", skiprows=[1], dtype=str)
    code = lab.loc[~lab["P"].str.startswith("<"), "Bottle"].iloc[0]  # no blank
    made = orders.write_order(folder, [code])
    assert (made.number, made.cost, made.kegs, made.bottles) == (2, 6, 0, 0)
    assert {(d.student, d.number, d.state) for d in deliver.deliver(root, PHRASE)} >= {("ben", 2, "delivered"),
                                                                                      ("ben", 1, "delivered before")}
    first, second = (pd.read_csv(folder / f"raw/laboratory-{k}.csv", skiprows=[1], dtype=str) for k in (1, 2))
    assert list(second["Determination"]) == ["2"]
    assert second["P"].iloc[0] != first.loc[first["Bottle"] == code, "P"].iloc[0]
    assert handed(root, "ben").remarks == ()


def test_right_words_follow_from_the_truth_and_are_clear_of_the_margin():
    """The natures against their definition: every pair inside the margin, or one beyond it."""
    study, beyond = worlds.given(), 0
    for number in range(20):
        world = worlds.world_of(b"x" * 32, number)
        words, true = world.words(study), reveal.true_differences(world)
        for a, word in words.items():
            margin = worlds.margin_of(study, a)
            relative = study.analytes[a].margin.absolute is None
            largest = max(abs(math.log1p(d / 100)) / math.log1p(margin / 100) if relative else abs(d) / margin
                          for d in true[a].values())
            assert word == ("stratified" if largest > 1 else "homogeneous")
            assert largest < 0.41 or largest > 1.59
        beyond += sum(w == "stratified" for w in words.values())
        assert 0 < sum(w == "stratified" for w in words.values()) < 5
    assert 0.25 < beyond / 100 < 0.55  # 0.4 by design; its standard error over 100 is 0.05


def bottles_of(kegs: tuple[str, ...]) -> list[Line]:
    """A spot bottle of every depth of the kegs, the first three kegs in run R1."""
    return [Line(sample=f"{k}{d}", container=k, kind="spot", depth=d, run="R1" if k < "K04" else "R2", position=i + 1, draw=0,
                 first=0, determinations=1) for i, (k, d) in enumerate((k, d) for k in kegs for d in worlds.DEPTHS)]


@pytest.mark.slow
def test_every_kind_of_fault_strikes_where_it_says():
    kegs = worlds.KEGS[:6]
    lines, seen = bottles_of(kegs), set()
    for number in range(12):
        world = worlds.world_of(b"y" * 32, number)
        faults = plant(world, lines)
        assert [f.kind for f in faults] == list(world.kinds)
        clean = measure(world, lines, ()).set_index("Bottle")
        spoilt = measure(world, lines, faults).set_index("Bottle")
        for f in faults:
            seen.add(f.kind)
            if f.kind == "lost bottle":
                assert f.places[0] not in spoilt.index
                continue
            bottles = [x.sample for x in lines if {x.sample, x.container, x.run} & set(f.places)]
            there = [b for b in bottles if b in spoilt.index]
            ratio = spoilt.loc[there, f.analyte or "P"] / clean.loc[there, f.analyte or "P"]
            assert (np.abs(np.log(ratio.to_numpy(float))) > 1e-3).any(), f.kind
        touched = {b for f in faults for x in lines for b in [x.sample] if {x.sample, x.container, x.run} & set(f.places)}
        rest = [b for b in spoilt.index if b not in touched]
        pd.testing.assert_frame_equal(spoilt.loc[rest], clean.loc[rest])
    assert seen == set(worlds.KINDS)


@pytest.mark.slow
def test_twenty_data_sets_differ_and_take_less_than_a_minute():
    """The issue's limit is 60 s of processor time for twenty; here the worlds and laboratory files of twenty orders."""
    lines, start, files = bottles_of(worlds.KEGS[:8]), time.process_time(), set()
    for number in range(20):
        world = worlds.world_of(b"z" * 32, number)
        files.add(deliver.report(measure(world, lines, plant(world, lines)), "2026-01-01"))
    assert len(files) == 20
    assert time.process_time() - start < 60


# ---- what a student might try


def test_the_truth_cannot_be_read_without_the_passphrase_nor_from_what_is_public(sold, tmp_path):
    with pytest.raises(BadInput, match="another passphrase"):
        safe.unseal(sold, "kettle anchor violet laddet")
    make.make_class(tmp_path / "c", NAMES, 1200, PHRASE)
    sold = tmp_path / "c"
    secret = safe.unseal(sold, PHRASE)["secret"]
    everything = b"".join(p.read_bytes() for p in sold.rglob("*") if p.is_file())
    assert secret.encode() not in everything
    assert bytes.fromhex(secret) not in everything
    assert b"right_words" not in everything
    assert "secret" not in json.loads((sold / "students/ada/class.json").read_text())
    public = load_study(sold / "students/ada").seed  # the seed of blind codes leads nowhere
    assert worlds.world_of(str(public).encode(), 0).truth != worlds.world_of(bytes.fromhex(secret), 0).truth


@pytest.mark.slow
def test_two_classes_of_the_same_names_are_different_worlds(tmp_path):
    for name in ("one", "two"):
        make.make_class(tmp_path / name / "same", ["ada"], 500, PHRASE)
    secrets = [safe.unseal(tmp_path / n / "same", PHRASE)["secret"] for n in ("one", "two")]
    assert secrets[0] != secrets[1]


def test_a_changed_sealed_file_does_not_open(root):
    path = root / safe.SEALED
    box = json.loads(path.read_text())["box"]
    edited(path, box=("B" if box[0] == "A" else "A") + box[1:])
    with pytest.raises(BadInput, match="was changed"):
        deliver.deliver(root, PHRASE)


@pytest.mark.slow
def test_drawing_again_gives_the_same(root):
    path = root / "students/ada/raw/laboratory-1.csv"
    before = path.read_bytes()
    path.unlink()
    assert deliver.deliver(root, PHRASE)[0].state == "delivered before"
    assert path.read_bytes() == before
    edited(root / "students/ada/orders/order-1.json", bottles={"X": 1})
    assert "what is drawn is drawn" in refused(root, "ada")


@pytest.mark.slow
def test_forgetting_the_delivery_and_ordering_again_is_refused(root):
    folder = root / "students/ada"
    (folder / "orders/delivered.json").unlink()
    (folder / "study.toml").write_text((folder / "study.toml").read_text().replace("containers = 4 ", "containers = 8 "))
    (folder / "plan/plan.lock").unlink()
    for name in ("samples.csv", "containers.csv"):
        (folder / "plan" / name).unlink()
    orders.write_order(planned(folder, 3))
    said = refused(root, "ada")
    assert "what is drawn is drawn" in said
    assert "came under another lock" in said


@pytest.mark.slow
def test_more_than_the_budget_is_refused_on_both_sides(tmp_path):
    root = tmp_path / "poor"
    make.make_class(root, ["ada"], 300, PHRASE)
    folder = planned(root / "students/ada")
    with pytest.raises(BadInput, match="300 are left of 300"):
        orders.write_order(folder)
    edited(folder / "class.json", budget=5000)
    orders.write_order(folder)
    assert "300 are left" in refused(root, "ada")


@pytest.mark.slow
def test_a_made_up_delivery_does_not_open_kegs_for_nothing(tmp_path):
    root = tmp_path / "poor"
    make.make_class(root, ["ada"], 300, PHRASE)
    folder = planned(root / "students/ada")
    edited(folder / "class.json", budget=5000, prices={"container": 0, "sample": 0, "determination": 0})
    made = orders.write_order(folder)
    assert made.cost == 0
    assert "are left" in refused(root, "ada")


@pytest.mark.slow
def test_another_students_lock_is_refused(root, tmp_path):
    fresh = tmp_path / "fresh"
    make.make_class(fresh, ["ada", "ben"], 1200, PHRASE)
    ada, ben = (fresh / "students" / n for n in ("ada", "ben"))
    orders.write_order(planned(ada))
    orders.write_order(planned(ben))
    own = json.loads((ben / "orders/order-1.json").read_text())
    stolen = json.loads((ada / "orders/order-1.json").read_text())
    (ben / "orders/order-1.json").write_text(json.dumps(own | {"lock": stolen["lock"], "bottles": stolen["bottles"]}))
    assert "lock of another study" in refused(fresh, "ben")
    (ben / "orders/order-1.json").write_text(json.dumps(stolen))
    assert "not written in this student's folder" in refused(fresh, "ben")


@pytest.mark.slow
def test_a_wider_margin_or_a_lock_edited_by_hand_is_refused(tmp_path):
    root = tmp_path / "wide"
    make.make_class(root, ["ada"], 1200, PHRASE)
    folder = root / "students/ada"
    text = (folder / "study.toml").read_text().replace("{ relative_percent = 6 }", "{ relative_percent = 60 }")
    (folder / "study.toml").write_text(text)
    orders.write_order(planned(folder))
    assert "analytes.P.margin.relative_percent is '60.0', the class was given '6.0'" in refused(root, "ada")
    path = folder / "orders/order-1.json"
    lock = json.loads(path.read_text())["lock"]
    lock["entries"][0]["promises"]["analytes.P.margin.relative_percent"] = "6.0"
    edited(path, lock=lock)
    assert "edited by hand" in refused(root, "ada")
    lock["entries"][0]["seal"] = lock["last_seal"] = seal_of({"seal": ""}, "")
    lock["entries"][0] = {"seal": lock["last_seal"]}
    edited(path, lock=lock)
    assert "is malformed" in refused(root, "ada")


@pytest.mark.few(1)
@pytest.mark.parametrize(("bottles", "said"), [
    ({"NOPE": 1}, "not in the locked plan"), ({}, "no counts"), ([], "no counts"), ("first", "no counts"),
    ("many", "at most 4"), ("zero", "no counts"), ("text", "no counts"),
])
def test_lines_that_are_not_sold_are_refused(tmp_path, bottles, said):
    root = tmp_path / "c"
    make.make_class(root, ["ada"], 1200, PHRASE)
    orders.write_order(planned(root / "students/ada", 1))
    path = root / "students/ada/orders/order-1.json"
    code = next(iter(json.loads(path.read_text())["bottles"]))
    wanted = {"first": {code: True}, "many": {code: 5}, "zero": {code: 0}, "text": {code: "1"}}.get(str(bottles), bottles)
    edited(path, bottles=wanted)
    assert said in refused(root, "ada")


def test_an_order_that_is_no_order_is_refused_and_the_others_are_served(root):
    (root / "students/ada/orders/order-2.json").write_text("[1")
    (root / "students/ada/orders/order-x.json").write_text("{}")
    states = [(d.student, d.state) for d in deliver.deliver(root, PHRASE)]
    assert states.count(("ada", "refused")) == 2
    assert ("ben", "delivered before") in states


@pytest.mark.slow
def test_changed_raw_files_locks_and_margins_are_told_and_do_not_help(root):
    clean = handed(root, "ada")
    raw, toml = root / "students/ada/raw/laboratory-1.csv", root / "students/ada/study.toml"
    raw.write_bytes(raw.read_bytes().replace(b",R1,", b",R9,"))
    (root / "students/ada/plan/plan.lock").unlink()
    spoilt = handed(root, "ada")
    assert spoilt.remarks == ("raw file 1 was changed; the delivered one was used",
                              "was not handed in: there is no lock in the folder")
    assert spoilt.words == clean.words
    pd.testing.assert_frame_equal(spoilt.intervals, clean.intervals)
    for old, new in (("{ relative_percent = 6 }", "{ relative_percent = 60 }"), ("alpha = 0.05", "alpha = 0.2"),
                     ("share_percent = 40", "share_percent = 45"), ("s_r_percent = 4,", "s_r_percent = 1,")):
        assert old in toml.read_text()
        toml.write_text(toml.read_text().replace(old, new))
    wide = handed(root, "ada")
    assert wide.words == clean.words
    pd.testing.assert_frame_equal(wide.intervals, clean.intervals)
    assert wide.remarks[-1] == ("judged by what the class was given, not by its study.toml: alpha 0.2, given 0.05, "
                                "analytes.P.margin.relative_percent 60.0, given 6.0, "
                                "analytes.Si.repeatability.s_r_percent 1.0, given 4.0, share_percent 45.0, given 40.0")


@pytest.mark.slow
def test_a_margin_widened_with_a_reason_after_the_delivery_earns_nothing(root):
    """The third stranger's way: every margin let out by the command that is meant for it, with a reason."""
    clean, folder = handed(root, "ada"), root / "students/ada"
    for analyte, wide in (("KV40", "5 %"), ("P", "30 %"), ("Ca", "40 %"), ("Si", "60 %"), ("Water", "250 mg/kg")):
        change_margin(folder, analyte, wide, reason="the blender widened his tolerance in a letter of March")
    own = handed(root, "ada")
    assert own.words == clean.words
    pd.testing.assert_frame_equal(own.intervals, clean.intervals)
    assert "analytes.Ca.margin.relative_percent 40.0, given 10.0" in own.remarks[-1]


def test_what_a_student_decides_is_kept_when_judged_by_what_was_given(root):
    path = root / "students/ada/study.toml"
    text = path.read_text()
    path.write_text(re.sub(r"(?m)^replicates = 1 ", "replicates = 3 ", text).replace("heel = false", "heel = true"))
    own = parse_study(tomllib.loads(terms.judged_text(load_study(root / "students/ada"))))
    assert (own.design.containers, own.design.replicates, own.sampling.heel) == (4, 3, True)
    assert own.design.controls == worlds.given().design.controls
    assert terms.deviations(promises(own)) == []


@pytest.mark.slow
def test_after_a_delivery_nobody_is_told_to_plan_anew_and_a_lost_plan_has_one_way_back(root):
    folder = root / "students/ada"
    path = folder / "study.toml"
    before, text = opening(folder), path.read_text()
    assert before.cost == safe.unseal(root, PHRASE)["students"]["ada"]["orders"][0]["cost"]
    path.write_text(re.sub(r"(?m)^replicates = 1 ", "replicates = 2 ", text))
    assert (opening(folder).determinations, opening(folder).cost) == (before.determinations, before.cost)
    notes = " ".join(plan(folder, load_study(folder)).notes)
    assert "remove" not in notes
    assert "what is drawn is drawn" in notes
    path.write_text(text)
    kept = (folder / "plan/samples.csv").read_bytes()
    (folder / "plan/samples.csv").unlink()
    for ask in (lambda: plan(folder, load_study(folder)), lambda: lock_folder(folder), lambda: orders.write_order(folder),
                lambda: load_tables(folder, with_results=False)):
        with pytest.raises(BadInput, match="copy the files of orders/plan back into plan"):
            ask()
    for file in (folder / "orders/plan").iterdir():
        shutil.copy(file, folder / "plan" / file.name)
    assert (folder / "plan/samples.csv").read_bytes() == kept
    assert handed(root, "ada").remarks == ()


@pytest.mark.slow
def test_findings_are_read_as_people_save_them_and_what_cannot_count_is_said(root):
    told = safe.unseal(root, PHRASE)["students"]["ada"]["faults"]
    where, kind = told[0]["places"][0], told[0]["kind"]
    path = root / "students/ada/findings.csv"

    def scored(text: str) -> tuple[int, int, str]:
        path.write_text(text, encoding="utf-8")
        row = reveal.reveal(root, PHRASE).scores.set_index("student").loc["ada"]
        return int(row["found"]), int(row["false alarms"]), str(row["remarks"])

    assert scored(f"where;kind;note\n{where};{kind};seen\n") == (1, 0, "")
    after = "changed or handed in after the truth was told: findings.csv; "
    assert scored(f"where,kind,note\n{where.lower()},{kind.title()},seen\n") == (1, 0, after.removesuffix("; "))
    assert scored(f"{where},{kind},seen\n{where},{kind},seen\n") == (
        0, 0, after + "findings.csv has no column where with anything in it, so nothing of it counts")
    assert scored(f"where,kind,note\nK99,{kind},guess\n") == (0, 1, after + "findings.csv: no bottle, keg or run: K99")


@pytest.mark.slow
def test_what_is_changed_after_the_truth_was_told_is_said_when_revealed_again(root):
    told = safe.unseal(root, PHRASE)["students"]["ben"]["faults"]
    (root / "students/ada/plan/exclusions.csv").write_text("sample,analyte,replicate,reason,who,date\n")
    reveal.reveal(root, PHRASE)
    assert list(reveal.reveal(root, PHRASE).scores["remarks"]) == ["", ""]
    (root / "students/ben/findings.csv").write_text(f"where,kind,note\n{told[0]['places'][0]},{told[0]['kind']},seen\n")
    (root / "students/ada/plan/exclusions.csv").unlink()
    again = reveal.reveal(root, PHRASE).scores.set_index("student")["remarks"]
    assert again["ben"] == "changed or handed in after the truth was told: findings.csv"
    assert again["ada"] == "changed or handed in after the truth was told: plan/exclusions.csv"


def test_a_keg_of_another_fluid_is_named_by_any_of_its_bottles(root):
    lines = [Line(sample=f"S{k}", container="K05", kind=kind, depth=depth, run="R1", position=k, draw=0, first=0,
                  determinations=1)
             for k, (kind, depth) in enumerate([("spot", "upper"), ("spot", "lower"), ("duplicate", "upper"), ("heel", "")])]
    struck = [f.places for n in range(200) for f in plant(worlds.world_of(b"a", n), lines) if f.kind == "wrong product"]
    assert {*struck} == {("K05", "S0", "S1", "S2", "S3")}


def test_more_determinations_than_a_bottle_gives_are_refused_before_the_lock(root, tmp_path):
    folder = root / "students/ada"
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(re.sub(r"(?m)^replicates = \d", "replicates = 5", text), encoding="utf-8")
    with pytest.raises(BadInput, match=r"design.replicates: '5': a bottle of this class gives at most 4"):
        opening(folder)
    (folder / "class.json").unlink()  # elsewhere nothing is sold
    orders.refuse_unsold(folder, load_study(folder))


@pytest.mark.slow
def test_a_folder_that_cannot_be_read_is_a_remark(root):
    clean = handed(root, "ada").words
    (root / "students/ada/study.toml").write_text("title = ")
    (root / "students/ada/findings.csv").write_bytes(b"\xff\xfe")
    shutil.rmtree(root / "students/ben")
    found = handed(root, "ada")
    assert found.words == clean
    assert found.remarks[0] == "findings.csv cannot be read"
    assert found.remarks[1].startswith("judged by what the class was given, as its study.toml cannot be read: study.toml: ")
    assert len(found.remarks) == 2
    found = handed(root, "ben")
    assert found.words == {}
    assert any("raw file 1 is missing" in r for r in found.remarks)
    assert "cannot be judged" in found.remarks[-1]


def test_a_browsers_second_download_is_named_and_what_to_do_with_it(root):
    folder = root / "students/ada/orders"
    shutil.copy(folder / "order-1.json", folder / "order-1 (1).json")
    (folder / "order-2 (1).json").write_text("{}")
    found = {d.file: d.faults[0].line() for d in deliver.deliver(root, PHRASE) if d.faults}
    assert found["order-1 (1).json"].startswith("ada/order-1 (1).json: is no name of an order")
    assert found["order-1 (1).json"].endswith("it is the same as order-1.json: remove it")
    assert "a browser adds (1)" in found["order-2 (1).json"]


def test_bottles_are_named_in_small_letters_and_with_semicolons_too(root, capsys):
    folder = root / "students/ada"
    lab = pd.read_csv(folder / "raw/laboratory-1.csv", skiprows=[1], dtype=str)
    first, second = sorted(set(lab["Bottle"]))[:2]
    assert main(["order", str(folder), "--again", f"{first.lower()}; {second}"]) == 0
    assert json.loads((folder / "orders/order-2.json").read_text())["bottles"] == {first: 1, second: 1}
    capsys.readouterr()


def test_anothers_whole_folder_is_named_and_not_judged(root):
    shutil.rmtree(root / "students/ben")
    shutil.copytree(root / "students/ada", root / "students/ben")
    found = handed(root, "ben")
    assert found.remarks == ("not judged: this is the folder of ada, by its class.json",)
    assert (found.words, found.findings) == ({}, ())


@pytest.mark.slow
def test_nobody_is_revealed_past_without_being_asked_and_stray_folders_are_named(root, tmp_path, capsys):
    phrase = tmp_path / "pw"
    phrase.write_text(PHRASE)
    command = ["reveal", str(root), "--passphrase-file", str(phrase)]
    assert reveal.waiting(root, PHRASE) == ()
    (root / "students/ben/plan/plan.lock").unlink()
    (root / "students/Zed").mkdir()
    (root / "students/BEN ").mkdir()
    assert reveal.waiting(root, PHRASE) == ("ben (no plan/plan.lock)",)
    assert main(command) == 2
    told = capsys.readouterr()
    assert "not handed in: ben" in told.out
    assert "--anyway" in told.err
    assert not safe.unseal(root, PHRASE)["revealed"]
    assert main([*command, "--anyway"]) == 0
    told = capsys.readouterr().out
    assert "students/Zed is no folder of this class and was not read" in told
    assert reveal.waiting(root, PHRASE) == ()
    assert reveal.strangers(root, ["Zed", "ben-"]) == [
        "students/BEN  is no folder of this class and was not read: that of ben- is students/ben-",
        *(f"students/{n} is no folder of this class and was not read" for n in ("ada", "ben"))]


@pytest.mark.slow
def test_whoever_names_everything_has_little_precision_and_who_bought_nothing_has_no_open_words(tmp_path, root):
    folder = root / "students/ada"
    codes = json.loads((folder / "orders/order-1.json").read_text())["bottles"]
    rows = [f"{c},{kind}" for c in codes for kind in worlds.KINDS]
    (folder / "findings.csv").write_text("where,kind\n" + "\n".join(rows) + "\n")
    row = reveal.reveal(root, PHRASE).scores.set_index("student").loc["ada"]
    assert float(row["precision"]) == pytest.approx(1 - row["false alarms"] / len(rows), abs=0.006)
    assert float(row["precision"]) < 0.6
    make.make_class(tmp_path / "idle", ["ada"], 900, PHRASE)
    assert reveal.waiting(tmp_path / "idle", PHRASE) == ("ada (bought nothing)",)
    idle = reveal.reveal(tmp_path / "idle", PHRASE).scores.iloc[0]
    assert (idle["words open"], idle["precision"], idle["remarks"]) == (0, "", "bought nothing")


def test_an_interval_beyond_the_drawing_is_marked_at_its_edge():
    rows = pd.DataFrame({"low": [-0.5] * 60 + [-9.0], "high": [0.5] * 61, "truth": 0.0, "margin": 1.0})
    ax = class_figure(pd.DataFrame({"cost": [1], "words right": [1], "unsafe": [0]}), rows).axes[0]
    marks = [line for line in ax.lines if line.get_marker() == "v"]
    assert [len(m.get_xdata()) for m in marks] == [1]
    assert marks[0].get_ydata()[0] == ax.get_ylim()[0]


# ---- ways out of what went wrong


@pytest.mark.slow
def test_a_plan_beyond_the_budget_names_what_to_remove_and_that_leads_to_fewer_kegs(tmp_path):
    root = tmp_path / "c"
    make.make_class(root, ["ada"], 1200, PHRASE)
    folder = root / "students/ada"
    with pytest.raises(BadInput, match="are left of 1200") as said:
        orders.write_order(planned(folder, 16))
    named = re.findall(r"plan/[\w.]+", said.value.faults[0].remedy)
    assert named == ["plan/samples.csv", "plan/containers.csv", "plan/plan.lock"]
    text = (folder / "study.toml").read_text(encoding="utf-8").replace("containers = 16 ", "containers = 7 ")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    for name in ("samples.csv", "plan.lock"):
        (folder / "plan" / name).unlink()
    note = next(n for n in plan(folder, load_study(folder)).notes if "containers = 7" in n)  # half of it: the old kegs, told
    assert "lists 16 containers and was followed" in note
    assert "plan/containers.csv" in note
    for name in named:
        (folder / name).unlink(missing_ok=True)
    assert orders.write_order(planned(folder, 7)).kegs == 7
    assert "plan/containers.csv" in worlds.template("README.txt")


def lost_of(root: Path, student: str) -> str:
    """The bottle that this student lost on the way."""
    faults = safe.unseal(root, PHRASE)["students"][student]["faults"]
    return next(f["places"][0] for f in faults if f["kind"] == "lost bottle")


@pytest.mark.slow
def test_a_bottle_that_never_came_is_not_sold_again_on_either_side(tmp_path):
    root = tmp_path / "c"
    names = [f"s{k}" for k in range(9)]
    make.make_class(root, names, 1200, PHRASE)
    for name in names:
        orders.write_order(planned(root / "students" / name, 3))
    deliver.deliver(root, PHRASE)
    losers = [n for n in names if any(f["kind"] == "lost bottle" for f in safe.unseal(root, PHRASE)["students"][n]["faults"])]
    assert losers  # a world without is one in three or so
    folder, code = root / "students" / losers[0], lost_of(root, losers[0])
    with pytest.raises(BadInput, match=f"{code}.*never came to the laboratory"):
        orders.write_order(folder, [code])
    lab = folder / "raw/laboratory-1.csv"
    kept = lab.read_bytes()
    lab.unlink()  # nor where the student's side cannot see it
    orders.write_order(folder, [code])
    assert "never came to the laboratory" in refused(root, losers[0])
    assert not (folder / "raw/laboratory-2.csv").exists()
    assert lab.read_bytes() == kept  # laid there again
    assert handed(root, losers[0]).words


def test_an_order_in_place_of_another_says_so(root):
    folder = root / "students/ada"
    first, second = sorted(set(pd.read_csv(folder / "raw/laboratory-1.csv", skiprows=[1], dtype=str)["Bottle"]))[:2]
    assert orders.write_order(folder, [first]).replaced == ()
    assert orders.write_order(folder, [first]).replaced == ()  # the same again
    assert orders.write_order(folder, [second]).replaced == (first,)
    assert "takes the place" in _instead((first,))
    assert first in _instead((first,))


@pytest.mark.slow
def test_a_refusal_lies_in_the_students_folder_until_it_is_mended(root):
    folder = root / "students/ben"
    code = pd.read_csv(folder / "raw/laboratory-1.csv", skiprows=[1], dtype=str)["Bottle"].iloc[0]
    orders.write_order(folder, [code])
    path = folder / "orders/order-2.json"
    text = path.read_text(encoding="utf-8")
    edited(path, bottles={"NOPE": 1})
    deliver.deliver(root, PHRASE)
    note = folder / "orders/order-2-refused.txt"
    assert "NOPE" in note.read_text(encoding="utf-8")
    assert "not in the locked plan" in note.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    deliver.deliver(root, PHRASE)
    assert not note.exists()


@pytest.mark.slow
def test_a_second_lock_is_told_with_the_way_back_which_leads_back(root):
    folder = root / "students/ada"
    code = pd.read_csv(folder / "raw/laboratory-1.csv", skiprows=[1], dtype=str)["Bottle"].iloc[0]
    lock = folder / "plan/plan.lock"
    before = json.loads(lock.read_text(encoding="utf-8"))
    lock.unlink()
    lock_folder(folder)  # after the results, so it is another
    with pytest.raises(BadInput, match=r"second lock.*copy orders/plan.lock to plan/plan.lock"):
        orders.write_order(folder, [code])
    (folder / "orders/plan.lock").rename(folder / "orders/aside")
    orders.write_order(folder, [code])
    assert "copy orders/plan.lock to plan/plan.lock" in refused(root, "ada")
    (folder / "orders/aside").rename(folder / "orders/plan.lock")
    shutil.copy(folder / "orders/plan.lock", lock)
    assert json.loads(lock.read_text(encoding="utf-8")) == before
    orders.write_order(folder, [code])
    assert ("ada", 2, "delivered") in {(d.student, d.number, d.state) for d in deliver.deliver(root, PHRASE)}


# ---- refusals of the making


@pytest.mark.parametrize(("arguments", "said"), [
    ({"names": []}, "must be 1 to 200"), ({"budget": 10}, "at least one keg"), ({"passphrase": "short"}, "fewer than 10"),
    ({"budget": float("nan")}, "at least one keg"),
])
def test_a_class_that_cannot_be_is_refused_and_nothing_is_written(tmp_path, arguments, said):
    with pytest.raises(BadInput, match=said):
        make.make_class(tmp_path / "c", **{"names": ["ada"], "budget": 900, "passphrase": PHRASE, **arguments})
    assert not (tmp_path / "c").exists()


def test_names_come_from_a_file_and_bad_ones_are_all_named(tmp_path):
    good, bad = tmp_path / "good.txt", tmp_path / "bad.txt"
    good.write_text("# class of spring\nAda\nBen-2\n\nAnn Lee\nMüller, J.\n../up\n", encoding="utf-8")
    bad.write_text("???\nAda Lee\nada-lee\n" + 41 * "x" + "\n", encoding="utf-8")
    assert make.names_of(20, good) == ("Ada", "Ben-2", "Ann-Lee", "Müller-J", "up")
    with pytest.raises(BadInput) as error:
        make.names_of(20, bad)
    assert [(f.row, f.value) for f in error.value.faults] == [(1, "???"), (4, 41 * "x"), (None, "ada-lee")]


@pytest.mark.slow
def test_a_plan_whose_bottles_changed_their_depth_after_delivery_is_judged_as_it_was_sold(root):
    folder = root / "students/ada"
    honest = handed(root, "ada")
    path = folder / "plan/samples.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    spot = table.index[table["kind"] == "spot"]
    told = table.copy()
    told.loc[spot[0], "depth"], told.loc[spot[1], "depth"] = table.loc[spot[1], "depth"], table.loc[spot[0], "depth"]
    told.drop(index=spot[2]).to_csv(path, index=False)
    found = handed(root, "ada")
    assert found.words == honest.words
    pd.testing.assert_frame_equal(found.intervals, honest.intervals)
    gone = table.loc[spot[:3], "sample"]
    (said,) = (r for r in found.remarks if "not as it was sold" in r)
    assert all(code in said for code in gone)
    assert "in 3 of its bottles" in said
