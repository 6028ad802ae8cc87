"""Proposals over generated files: each is taken as it is and must read the file right, or ask.

python -m tests.intake.labfiles.suggest 1000 [FIRST SEED]
"""

from __future__ import annotations

import sys
import tempfile
import tomllib
from dataclasses import replace
from pathlib import Path

from tests.intake.labfiles.generate import make_case, study_toml
from tests.intake.labfiles.model import Case
from tests.intake.labfiles.run import read_here, try_case
from tests.intake.labfiles.score import BAD, RIGHT, Judgement, Outcome, Tally, judge


def suggested(case: Case, place: Path) -> str:
    """The entries proposed for all files of a case, as one intake.toml; StudyKitError where there is none."""
    from studykit.intake.proposal import suggest_mapping
    from studykit.study.definition import parse_study

    study = parse_study(tomllib.loads(study_toml(case)))
    entries = []
    (place / "raw").mkdir(parents=True, exist_ok=True)
    for name, data in sorted(case.files.items()):
        (place / "raw" / name).write_bytes(data)
        entries.append(suggest_mapping(place / "raw" / name, study, case.codes)[0])
    return "\n".join(entries)


def try_proposal(case: Case, place: Path) -> Judgement:
    """What the intake makes of the files by the proposal as it is."""
    from studykit.core.errors import StudyKitError

    try:
        text = suggested(case, place / "proposed")
    except StudyKitError as error:
        return judge(case, Outcome(2, message=str(error)))
    return judge(case, try_case(replace(case, intake=text), place))


def main() -> None:
    """Counts over seeds; every case that is neither right nor asked about."""
    count, first = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1
    sys.stdout.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    tally = Tally()
    for seed in range(first, first + count):
        read_here(seed)
        case = make_case(seed)
        with tempfile.TemporaryDirectory(prefix="suggest") as place:
            found = try_proposal(case, Path(place))
        tally.add(case, found)
        if found.verdict in BAD:
            print(found.verdict, seed, case.kinds, case.container, case.layout, repr(found.detail), flush=True)
    print(dict(tally.total), f"of {tally.agreed['agree']} that two people read alike {tally.agreed[RIGHT]} right as proposed")


if __name__ == "__main__":
    main()
