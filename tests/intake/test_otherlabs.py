"""Files of a second person who had the promise alone: no value wrong, none missing without a word.

Made with other code, other habits and other slips than `tests.intake.labfiles`; a part each time, all of them in the long run.
"""

from __future__ import annotations

import math
import warnings
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from studykit.core.errors import StudyKitError
from studykit.intake.take import read_intake
from tests.intake.otherlabs import more, remedies, texts_one, texts_three, texts_two, workbooks
from tests.intake.otherlabs.made import CODES, KINDS, UNITS, Laboratory, intake_text
from tests.intake_cases import study

MADE_BY = (more, remedies, texts_one, texts_three, texts_two, workbooks)
#: nothing in the file tells it, and docs/03-intake.md says so: a whole column in another unit than its heading, with no nominal
UNTOLD = {"ppb_mislabelled_water"}
EACH = 12


def outcome(name: str, seed: int, root: Path) -> tuple[str, list[Any]]:
    """'refused', 'rejected' or 'read', and what was taken and not meant, or meant and not taken of what was read."""
    made = KINDS[name](Laboratory(f"{name}-{seed}"))
    (root / "raw").mkdir(parents=True)
    for file, data in made["files"]:
        (root / "raw" / file).write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    (root / "intake.toml").write_text(intake_text(made["hand"]), encoding="utf-8")
    definition = study({a: u.replace("mm2", "mm²") for a, u in UNITS.items()})
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            out = read_intake(root, definition, pd.DataFrame({"sample": CODES}))
    except StudyKitError:
        return "refused", []
    left = [dict(c) for c in made["cells"] if c["v"] is not None]
    wrong = []
    table = out.results[["sample", "analyte", "value", "qualifier"]].fillna("")
    for sample, analyte, value, sign in table.itertuples(index=False):
        fits = [c for c in left if (c["s"], c["a"], c.get("q") or "") == (sample, analyte, sign)
                and math.isclose(c["v"], value, rel_tol=1e-6, abs_tol=1e-18)]
        if fits:
            left.remove(fits[0])
        else:
            wrong.append((sample, analyte, value, sign))
    return ("rejected", wrong) if len(out.rejected) else ("read", wrong or left)


@pytest.mark.few(8)
@pytest.mark.parametrize("name", [pytest.param(n, marks=[] if i % EACH == 0 else pytest.mark.slow)
                                  for i, n in enumerate(sorted(KINDS))])
def test_nothing_is_taken_that_was_not_meant_and_nothing_is_lost_in_silence(tmp_path: Path, name: str) -> None:
    for seed in (1, 2):
        how, wrong = outcome(name, seed, tmp_path / str(seed))
        assert not wrong or name in UNTOLD, (how, wrong[:3])


def test_what_is_plain_is_read(tmp_path: Path) -> None:
    plainly = [n for n in sorted(KINDS) if "control" in n]
    assert len(plainly) > 3
    for name in plainly:
        assert outcome(name, 1, tmp_path / name) == ("read", []), name
    assert len(KINDS) == 245
