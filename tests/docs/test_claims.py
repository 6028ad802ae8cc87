"""Every statement with a number, a never, an always or an every is held by something that exists and agrees with it."""

from __future__ import annotations

import math
import re

import pytest

from studykit.design.operating import DesignSize, resolvable_margin
from studykit.inference.equivalence import Margin
from studykit.inference.single import SingleResult, judge_between, judge_container, which_scatter
from studykit.study.definition import Assumption
from studykit.study.precision import R_FACTOR, resolve_precision
from tests.docs.claims import row, tokens, unheld, wanting
from tests.docs.ledger import LEDGER
from tests.docs.names import CHECKS, wrong_files, wrong_lists
from tests.docs.reading import ROOT, hand_written, statements


def test_every_claim_is_held() -> None:
    """A page changed? Say in tests/docs/ledger.py what holds the sentence now."""
    assert wanting(hand_written(), LEDGER) == []
    assert unheld(LEDGER) == []


@pytest.mark.few(9)
@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.__name__)
def test_names_on_the_pages_are_those_of_the_code(check) -> None:
    assert check(hand_written()) == []


def test_a_claim_is_held_by_a_test_or_a_value_or_its_page_names_the_source() -> None:
    """What no test can run (a count of some hours, a paid standard) may stand where the page itself says whose it is."""
    pages = hand_written()
    rows = [(page, r) for page, held in LEDGER.items() for r in held]
    cited = [(page, r) for page, r in rows if r.held.startswith("cited: ")]
    assert [(page, r.held) for page, r in cited if r.held.removeprefix("cited: ") not in pages[page]] == []
    assert len(rows) > 300
    assert len(cited) / len(rows) < 0.09
    assert sum(page.startswith("docs/0") for page, _ in cited) / len(rows) < 0.03


def test_advice_keeps_its_sense() -> None:
    """Turned round, this sentence passed once; no value of the code can hold advice, so its words are held."""
    advice = "If the word is *inconclusive* and you must pour today: do what you would do if it were stratified, as far as"
    assert advice in " ".join(hand_written()["docs/06-verdict.md"].split())


@pytest.mark.parametrize(("page", "said", "turned"), [
    ("06-verdict", "if it were stratified", "if it were homogeneous"),
    ("06-verdict", "two containers or", "three containers or"),
    ("06-verdict", "given with and without", "given without"), ("01-design", "what two containers", "what three containers"),
    ("01-design", "more containers beat more determinations", "more determinations beat more containers"),
    ("physics", "store settles faster", "store settles more slowly"), ("02-sampling", "stay in one run", "go over the runs"),
    ("07-report", "leaves the old report", "removes the old report"),
])
def test_a_sentence_turned_round_is_seen(page: str, said: str, turned: str) -> None:
    """Planted by somebody who had the promise alone; none of them changes a number."""
    text = hand_written()[f"docs/{page}.md"]
    assert len(re.findall(said, text)) == 1
    ledger = {f"docs/{page}.md": LEDGER[f"docs/{page}.md"]}
    assert wanting({f"docs/{page}.md": text}, ledger) == []
    assert wanting({f"docs/{page}.md": text.replace(said, turned)}, ledger) != []


def test_the_minutes_of_a_review_add_up_to_ten() -> None:
    heads = re.findall(r"(?m)^## Minutes? (\d+)(?: to (\d+))?:", hand_written()["docs/reviewing.md"])
    ends = [(int(a), int(b or a)) for a, b in heads]
    assert [a for a, _ in ends[:-1]] == [0, *(b for _, b in ends[:-2])]
    assert ends[-1] == (10, 10)
    assert "in ten minutes" in hand_written()["docs/reviewing.md"].splitlines()[0]


def test_the_coverage_told_is_the_least_of_the_table() -> None:
    """time.md against the table that python -m tests.ageing.coverage wrote: both columns of coverage, all designs."""
    rows = re.findall(r"(?m)^\| \w.*\|$", (ROOT / "docs/time-coverage.md").read_text(encoding="utf-8"))
    cells = [[c.strip() for c in r.strip("|").split("|")] for r in rows if not r.startswith("| design")]
    least = min(float(x) for r in cells for x in r[2:-1] if x)
    told = re.search(r"at least (\d+) % of those times hold", " ".join(hand_written()["docs/time.md"].split()))
    assert told is not None
    assert len(cells) > 20
    assert float(told[1]) <= least < float(told[1]) + 1


def test_the_worked_numbers_of_one_container_are_those_of_the_library() -> None:
    """06-verdict: 50 and 52 mg/kg with s_r = 1, against 5 and 4; 6 and "<2" against 5, however small the scatter."""
    def judged(upper: float, lower: float, edge: float, s_r: float) -> SingleResult:
        p = resolve_precision(50, "mg/kg", own={"s_r": s_r})
        return judge_container("P", {"upper": [upper], "lower": [lower]}, p, Margin.absolute(edge, "mg/kg"),
                               scatter=which_scatter(p, ["run 1"] * 2))

    found = judged(50, 52, 5, 1).comparison.tests[0]
    interval = found.contrast.interval(0.90)
    assert [round(x, 2) for x in (found.contrast.se, interval.low, interval.high)] == [1.41, -0.33, 4.33]
    assert [judged(50, 52, edge, 1).word for edge in (5, 4)] == ["homogeneous", "inconclusive"]
    assert judge_between(judged(6, 0, 5, 1e-6), judged(6, 2, 5, 1e-6)) is None
    settled = judge_between(judged(6, 0, 3, 1e-6), judged(6, 2, 3, 1e-6))  # 4 to 6 apart: beyond a margin of 3
    assert settled is not None
    assert settled.word == "stratified"


def test_the_times_that_hold_in_skewed_worlds_are_those_of_the_table() -> None:
    """time.md against the table of 01-design that python -m tests.ageing.wrong_worlds printed: what is not too long."""
    pages = hand_written()
    late = [int(x) for x in re.findall(r"(?m)^\| skewed.*\| (\d+) \|$", pages["docs/01-design.md"])]
    told = f"{100 - max(late)} to {100 - min(late)} % of the times told hold: [01-design]"
    assert told in " ".join(pages["docs/time.md"].split())


def test_rates_of_single_containers_are_those_of_the_run() -> None:
    """06-verdict.md against the section that python -m tests.operating.run printed."""
    whole = (ROOT / "docs/operating.md").read_text(encoding="utf-8")
    text = whole.split("## Single containers that scatter unlike the others")[1].split("## ")[0]
    cells = [[x.strip() for x in line.strip("| ").split("|")] for line in text.splitlines() if line.count("|") > 8]
    rows = {r[0] + r[1] + r[2]: [tuple(map(float, re.findall(r"[0-9.]+", x))) for x in r[4:7]] for r in cells[2:]}
    unlike = [v for k, v in rows.items() if k.startswith("that container")]
    assert max(round(v[i][0]) for v in unlike for i in (0, 1)) == 5
    assert max(round(v[0][1]) for v in unlike) == 42
    alike = [v[2] for k, v in rows.items() if k.startswith("alike")]
    assert min(round(v[0]) for v in alike) == 96
    assert min(int(v[1]) for v in alike) == 99
    zone = [v for k, v in rows.items() if k.startswith("its lowest")]
    assert 7 < max(v[0][0] for v in zone) <= 8
    assert 8 < max(v[1][0] for v in zone) <= 9
    page = " ".join(hand_written()["docs/06-verdict.md"].split())
    assert "in at most 5 of 100 studies; by one scatter for all it would be in up to 42" in page
    assert "named in 96 of 100 studies in place of 99" in page
    assert "still named in up to 8 of 100, and shown within in up to 9" in page


def test_the_worked_margins_are_those_of_the_design() -> None:
    """01-design: s_r = 2 %; one container and three depths 10.0 %, twelve 3.0 %, as ratios; that of one is 1.7 r."""
    one, twelve = (resolvable_margin(DesignSize(containers=n, depths=3), Assumption(s_r=2.0)) for n in (1, 12))
    assert 100 * math.expm1(one / 100) == pytest.approx(10.0, abs=0.05)
    assert one / (2 * R_FACTOR) == pytest.approx(1.7, abs=0.05)
    assert 100 * math.expm1(twelve / 100) == pytest.approx(3.0, abs=0.05)


def test_what_the_ledger_cannot_hold_is_named() -> None:
    page = {"docs/x.md": "# X\n\nIt holds 12 % always. Nothing here. A table:\n\n| a | b |\n|---|---|\n| w | 3.5 |\n"}
    assert statements(page["docs/x.md"]) == ["X", "It holds 12 % always.", "Nothing here.", "A table:", "a | b", "w | 3.5"]
    assert tokens("never −1.5 of ISO 5725-2:1994 and `7`, twelve") == ["never", "-1.5", "twelve"]
    whole = {"docs/x.md": [row("It holds 12", "12 always", "values", 12.0), row("w |", "3.5", "cited: x")]}
    assert wanting(page, whole) == []
    assert unheld(whole) == []
    changed = {"docs/x.md": page["docs/x.md"].replace("12 % always", "13 % always").replace("3.5", "2.5 never")}
    assert [w.removeprefix("docs/x.md: ").split(",")[0] for w in wanting(changed, whole)] == [
        "nothing holds: It holds 13 % always.", "says '2.5 never'", "no statement says: It holds 12"]
    assert unheld({"p": [row("a", "12", "values", 11.0), row("b", "1", "test_flow.py::no_such"), row("c", "1", "because"),
                         row("d", "0.35", "values", 0.354), row("e", "2", "values")]}) == [
        "p: a: 12 is 11", "p: b: there is no test test_flow.py::no_such", "p: c: 'because' holds nothing",
        "p: e: 1 numbers, 0 values"]


def test_a_list_out_of_count_and_a_raw_file_that_no_example_has_are_named() -> None:
    page = {"README.md": "1. a\n\n```toml\na = 1\n```\n\n6. b\n\n```sh\nstudykit intake x --suggest raw/resulrats.csv\n```\n"}
    assert wrong_lists(page) == ["README.md: item 6 follows 1"]
    assert wrong_files(page) == ["README.md: no such file is written or shipped: raw/resulrats.csv"]
    assert wrong_files({"README.md": "```sh\nstudykit intake drums --suggest raw/lab-report.csv\n```\n"}) == []
