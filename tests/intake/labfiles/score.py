"""Classifies what a program made of a case, and sums up by kind."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field

from tests.intake.labfiles.build import in_study_unit
from tests.intake.labfiles.model import Case

RIGHT = "right"
REFUSED = "refused, rightly"
OVER = "over-refused"
WRONG = "SILENTLY WRONG"
MISSING = "SILENTLY MISSING"
WRONG_BESIDE = "wrong beside a refusal"
MISSING_BESIDE = "missing beside a refusal"
CRASH = "CRASH"
CLASSES = (RIGHT, REFUSED, OVER, WRONG, MISSING, WRONG_BESIDE, MISSING_BESIDE, CRASH)
BAD = (WRONG, MISSING, WRONG_BESIDE, MISSING_BESIDE, CRASH)


@dataclass
class TidyRow:
    """One row that the program took as a result."""

    sample: str
    analyte: str
    value: float
    unit: str
    qualifier: str
    written: str = ""


@dataclass
class Outcome:
    """What the program made of a case."""

    exit_code: int
    rows: list[TidyRow] = field(default_factory=list)
    rejected: list[tuple[int | None, str, str]] = field(default_factory=list)  # line, cell, reason
    message: str = ""
    seconds: float = 0.0


@dataclass
class Judgement:
    """The class of a case and why."""

    verdict: str
    detail: str = ""


def _close(a: float, b: float, tolerance: float) -> bool:
    return math.isclose(a, b, rel_tol=1e-9, abs_tol=tolerance + 1e-300)


def judge(case: Case, out: Outcome) -> Judgement:
    """The verdict on one case."""
    if out.exit_code not in (0, 2, 8):
        return Judgement(CRASH, out.message[-300:])
    meant: dict[tuple[str, str], list[tuple[str, float, float, list[int]]]] = defaultdict(list)
    for t in case.truth:
        if t.is_result and t.value is not None:
            unit = str(case.study[t.analyte]["unit"])
            value = float(in_study_unit(t.value, t.unit, unit))
            slack = float(in_study_unit(t.tolerance, t.unit, unit))
            meant[(t.sample, t.analyte)].append((t.qualifier, value, slack, t.where))
    wrong: list[str] = []
    for row in out.rows:
        wanted = meant.get((row.sample, row.analyte), [])
        for item in wanted:
            if item[0] == row.qualifier and _close(item[1], row.value, item[2]):
                wanted.remove(item)
                break
        else:
            left = "; ".join(f"{q}{v:g}" for q, v, _, _ in wanted) or "no result"
            wrong.append(
                f"{row.sample} {row.analyte}: read {row.qualifier}{row.value!r} {row.unit} "
                f"from {row.written!r}, meant {left}"
            )
    if wrong:
        for row in out.rows:  # a key read wrongly is not also missing
            meant.pop((row.sample, row.analyte), None)
    missing = [(key, item) for key, items in meant.items() for item in items]
    refused = out.exit_code != 0
    if wrong:
        return Judgement(WRONG_BESIDE if refused else WRONG, " | ".join(wrong[:3]))
    if missing and not refused:
        (sample, analyte), item = missing[0]
        return Judgement(MISSING, f"{len(missing)} missing, first {sample} {analyte} {item[0]}{item[1]:g}")
    if missing and out.exit_code == 8:
        named = {line for line, _, _ in out.rejected}
        lost = [m for m in missing if not (None in named or set(m[1][3]) & named)]
        if lost and len(lost) > max(0, len(out.rejected) - (len(missing) - len(lost))):
            (sample, analyte), item = lost[0]
            return Judgement(
                MISSING_BESIDE,
                f"{len(lost)} neither taken nor named, first {sample} {analyte}; rejected: {out.rejected[:2]}",
            )
    if refused:
        first = out.rejected[0][2] if out.rejected else out.message
        return Judgement(OVER if case.two_people_agree else REFUSED, first[:300])
    return Judgement(RIGHT)


@dataclass
class Tally:
    """Counts by kind, with the first example of each class."""

    counts: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    examples: dict[tuple[str, str], tuple[int, str]] = field(default_factory=dict)
    agreed: Counter[str] = field(default_factory=Counter)
    total: Counter[str] = field(default_factory=Counter)

    def add(self, case: Case, judgement: Judgement) -> None:
        """Count one case under each of its kinds."""
        self.total[judgement.verdict] += 1
        if case.two_people_agree:
            self.agreed["agree"] += 1
            self.agreed[judgement.verdict] += 1
        for name in case.kinds:
            self.counts[name][judgement.verdict] += 1
            self.examples.setdefault((name, judgement.verdict), (case.seed, judgement.detail))

    def join(self, other: Tally) -> None:
        """Add another tally's counts to this one's."""
        self.total.update(other.total)
        self.agreed.update(other.agreed)
        for name, counts in other.counts.items():
            self.counts[name].update(counts)
        for key, example in other.examples.items():
            self.examples.setdefault(key, example)

    def table(self) -> str:
        """A table in Markdown, the worst first."""

        def rank(name: str) -> tuple[float, str]:
            c = self.counts[name]
            return (-sum(c[x] for x in BAD) / max(1, c.total()), name)

        lines = ["| kind | " + " | ".join(CLASSES) + " |", "|---|" + "---:|" * len(CLASSES)]
        for name in sorted(self.counts, key=rank):
            lines.append(f"| {name} | " + " | ".join(str(self.counts[name][c] or "") for c in CLASSES) + " |")
        lines.append("| **all cases** | " + " | ".join(str(self.total[c]) for c in CLASSES) + " |")
        return "\n".join(lines)
