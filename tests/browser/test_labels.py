"""No label of any drawing of the demos' reports lies over another label, a line or a mark, wide or narrow.

Boxes are measured in Chromium. The reports of the larger demos are made for it, so those are slow.
"""

from __future__ import annotations

import pytest

from studykit.demos.shipped import DEMOS, copy_demo
from studykit.report.make import make_report
from tests.browser.labels import colliding, collisions, drawings
from tests.browser.pages import CHROMIUM, chromium
from tests.report.filed import filed_tote

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
HEAD = '<svg xmlns="http://www.w3.org/2000/svg" width="100pt" height="50pt" viewBox="0 0 100 50">'
LABEL = '<g transform="translate({x} {y}) scale(0.1 -0.1)"><path d="M0 0L200 0L200 80L0 80Z"/></g>'
"""20 by 8 points, from its lower left corner, as matplotlib mirrors letters."""
LINE = '<path d="M{x} 0L{x} 50" style="stroke:#000;fill:none"/>'


@pytest.fixture(scope="module")
def page():
    with chromium() as browser:
        yield browser.new_page(viewport={"width": 1600, "height": 1200})


@pytest.mark.parametrize(("parts", "found"), [
    ((LABEL.format(x=5, y=20), LABEL.format(x=40, y=20)), []),
    ((LABEL.format(x=5, y=20), LABEL.format(x=20, y=16)), ["label 15 16"]),
    ((LABEL.format(x=5, y=20), LINE.format(x=15)), ["line 15 16"]),
    ((LABEL.format(x=5, y=20), LINE.format(x=30)), []),
    ((LABEL.format(x=5, y=20), LINE.format(x=15).replace("stroke:#000", "stroke:none")), []),
    ((LABEL.format(x=5, y=20), '<defs><path id="m" d="M-3 -3L3 -3L3 3L-3 3Z"/></defs><g><use href="#m" x="24" y="15"/></g>'),
     ["mark 15 16"]),
    ((LABEL.format(x=5, y=20), '<defs><path id="m" d="M-3 -3L3 -3L3 3L-3 3Z"/></defs><g><use href="#m" x="29" y="15"/></g>'),
     []),
    ((LABEL.format(x=5, y=20), '<defs><clipPath id="c"><rect x="40" y="0" width="60" height="50"/></clipPath></defs>'
      + LINE.format(x=15).replace("<path", '<path clip-path="url(#c)"')), []),
])
def test_what_lies_over_a_label_is_found(page, parts, found):
    """Boxes worked out by hand."""
    assert collisions(page, HEAD + "".join(parts) + "</svg>") == (str(parts).count("scale("), found)


def test_no_label_of_the_smallest_demo_lies_over_anything(page):
    report = filed_tote() / "report"
    assert sum(collisions(page, p.read_text(encoding="utf-8"))[0] for p in drawings(report)) > 500
    assert colliding(page, report) == {}


@pytest.mark.slow
@pytest.mark.parametrize("name", [n for n in DEMOS if n != "tote"])
def test_no_label_of_a_demo_lies_over_anything(page, tmp_path, name):
    root = copy_demo(name, tmp_path / name)
    make_report(root, lambda _: None)
    assert colliding(page, root / "report") == {}
