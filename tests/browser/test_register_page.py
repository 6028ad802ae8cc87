"""The register's page in a browser: nothing against accessibility, nothing that pushes a phone's page sideways."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from studykit.register import write_register
from tests.browser.pages import CHROMIUM, chromium, opened, violations
from tests.many_studies import lay, truth_of

pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")]


def test_the_page_reads_on_a_phone_and_by_ear(tmp_path: Path) -> None:
    """axe-core at 390 and 1280 px, light; every drawing has its words, and only tables scroll."""
    studies, rng = tmp_path / "studies", np.random.default_rng(6)
    for k in range(4):
        lay(studies / f"north/drums-of-the-far-store-{2020 + k}", k, [truth_of("P", rng)], containers=4,
            day=f"{2020 + k}-01-10", filed=False, fluid=100.0)
    (studies / "broken").mkdir()
    (studies / "broken/study.toml").write_text("x =", encoding="utf-8")
    (studies / "register.toml").write_text('[all]\nlaboratory = "works"\nfluid = "gear oil"\n', encoding="utf-8")
    page = write_register(studies, tmp_path / "register").page
    with chromium() as browser:
        for width in (390, 1280):
            seen, _ = opened(browser, page, width)
            assert violations(seen) == []
            assert seen.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
            assert seen.locator("svg[role=img][aria-label]").count() == seen.locator("svg").count() == 5
            seen.close()
