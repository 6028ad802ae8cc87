"""Page one of a study of fourteen analytes with long names: two screens, two pages of paper, every analyte on both."""

from __future__ import annotations

import pytest

from studykit.core.files import write_text
from studykit.report.page import write_report
from studykit.sampling.plan import plan
from studykit.study.definition import load_study
from studykit.study.lock import lock_plan
from tests.browser.pages import CHROMIUM, HEADED, WIDE, chromium, opened, orphans, printed
from tests.commands import test_living as living
from tests.sampling_examples import folder, stock_rows

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
NAMES = {"KV40": "kinematic viscosity at 40 °C after filling", "KV100": "kinematic viscosity at 100 °C after filling",
         "S": "sulphur from the extreme-pressure additive", "B": "boron of the borate friction modifier",
         "Si": "silicon (antifoam, silicone oil)", "Ca": "calcium of the overbased detergent",
         "Mg": "magnesium of the overbased detergent", "Mo": "molybdenum of the friction modifier",
         "Ba": "barium of the rust inhibitor", "Na": "sodium of the corrosion inhibitor",
         "K": "potassium from cooling water residues", "AN": "acid number by potentiometric titration"}
BLOCK = """
[analytes.{key}]
label = "{name}"
unit = "mg/kg"
method = "ICP-OES, in-house 12"
margin = {{ relative_percent = {margin} }}
margin_reason = "half of the tolerance of the blender"
"""


@pytest.mark.slow
def test_fourteen_analytes_of_long_names_stand_on_two_screens_and_two_pages(tmp_path, monkeypatch):
    root = folder(tmp_path / "many", stock=stock_rows(12))
    blocks = "".join(BLOCK.format(key=key, name=name, margin=k + 1) for k, (key, name) in enumerate(NAMES.items()))
    text = (root / "study.toml").read_text(encoding="utf-8").replace("\n[vessels.pail20]", f"{blocks}\n[vessels.pail20]", 1)
    write_text(root / "study.toml", text)
    plan(root, load_study(root))
    lock_plan(root, load_study(root))
    monkeypatch.setattr(living, "LEVELS", {**living.LEVELS, **{key: (50.0 + 30 * k, 0.01 + 0.002 * k)
                                                               for k, key in enumerate(NAMES)}})
    living.results(root, ("P", "Water", *NAMES), 3)
    living.page_one(root, tmp_path / "report")
    file = write_report(tmp_path / "report", [tmp_path / "report" / s / f"{s}.ipynb" for s in living.STEMS], load_study(root))
    with chromium() as browser:
        page, _ = opened(browser, file, 1280)
        assert page.evaluate("document.querySelector('main > section').getBoundingClientRect().bottom") <= 1800
        assert page.locator(".tag-strip tbody tr").count() == 14
        assert page.evaluate("(b => b.scrollWidth <= b.clientWidth)(document.querySelector('.tag-strip .scroll'))")
        pages, heads = printed(page), page.evaluate(HEADED)
        phone, _ = opened(browser, file, 390)
        assert phone.evaluate(WIDE) == []
    front = next(k for k, told in enumerate(pages) if "The answer in detail" in told)
    assert front <= 2
    assert orphans(pages, heads) == []
    first = "".join("".join(pages[:front]).split())
    assert all(first.count("".join(name.split())) >= 2 for name in NAMES.values())  # in the answer and in the table
