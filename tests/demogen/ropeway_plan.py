"""The gear-oil demo: which pails, which draws, which laboratory run (tables without any result)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.demos.simulate import stream
from tests.demogen.common import rows_of

SEED = 20260301
DEPTHS = ("upper", "middle", "lower")
HEIGHTS = (0.8333, 0.5, 0.1667)
HEEL_HEIGHT = 0.03
LOTS = (("0823", "2023-08-14"), ("0924", "2024-09-09"), ("0925", "2025-09-08"))
VISITS = {1: {"valley": "2025-11-10", "hut": "2025-11-11"}, 2: {"valley": "2026-08-10", "hut": "2026-08-11"}}
TEMPERATURE = {(1, "valley"): 17.0, (1, "hut"): 3.5, (2, "valley"): 19.5, (2, "hut"): 17.0}
SPECIAL_CODES = ("007", "1E5")  # pails whose painted numbers a spreadsheet would change
SPECIAL_SAMPLES = ("0071", "1E05", "7E02")  # the same trap among the blind codes
LAYERED = "LC1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The plan tables, the laboratory runs, and the pails that a planted fault or effect needs."""

    containers: pd.DataFrame
    samples: pd.DataFrame
    runs: pd.DataFrame
    swapped: str
    wet: tuple[str, str]


def _pail_codes(count: int) -> list[str]:
    """Painted pail numbers, three characters, two of them easily changed by a spreadsheet."""
    numbers = stream(SEED, "pails").permutation(np.arange(10, 400))[: count - len(SPECIAL_CODES)]
    codes = [f"{n:03d}" for n in numbers]
    codes.insert(4, SPECIAL_CODES[0])
    codes.insert(13, SPECIAL_CODES[1])
    return codes


def pails() -> pd.DataFrame:
    """24 stored pails (3 lots, 2 visits, 2 stores, 2 pails), 2 remixed pails, 1 layered vessel."""
    codes = iter(_pail_codes(26))
    height = stream(SEED, "heights")
    first: dict[tuple[str, str, int], str] = {}
    rows = []
    for visit in VISITS:
        for lot, filled in LOTS:
            for store in ("valley", "hut"):
                for pail in (1, 2):
                    code = next(codes)
                    sister = first.get((lot, store, pail), "")
                    first.setdefault((lot, store, pail), code)
                    rows.append(_pail(code, lot, filled, store, visit, sister, height, pail=pail))
        lot, filled = LOTS[0]
        rows.append(_pail(next(codes), lot, filled, "valley", visit, first[(lot, "valley", 1)], height, remixed=True))
    rows.append(_layered())
    return pd.DataFrame(rows)


def _pail(code: str, lot: str, filled: str, store: str, visit: int, sister: str, height: np.random.Generator, *,
          pail: int = 1, remixed: bool = False) -> dict[str, object]:
    day = VISITS[visit][store]
    return {
        "container": code, "lot": lot, "store": store, "vessel": "pail20",
        "liquid_height_mm": f"{317 + 2.0 * height.standard_normal():.0f}", "filled_on": filled, "sampled_on": day,
        "last_moved_on": "2025-09-22" if lot == LOTS[2][0] else ("2024-09-23" if lot == LOTS[1][0] else "2023-09-04"),
        "last_mixed_on": day if remixed else "", "orientation": "upright",
        "temperature_c": f"{TEMPERATURE[(visit, store)] + 0.5 * height.standard_normal():.1f}",
        "treatment": "remixed control" if remixed else "stored", "sister_of": sister, "visit": str(visit),
        "pail_of_pair": str(pail),
    }


def _layered() -> dict[str, object]:
    lot, filled = LOTS[2]
    return {
        "container": LAYERED, "lot": lot, "store": "valley", "vessel": "clear2l", "liquid_height_mm": "200",
        "filled_on": filled, "sampled_on": VISITS[1]["valley"], "last_moved_on": VISITS[1]["valley"],
        "last_mixed_on": VISITS[1]["valley"], "orientation": "upright", "temperature_c": "17.0",
        "treatment": "layered control", "sister_of": "", "visit": "1", "pail_of_pair": "1",
    }


def _draws(containers: pd.DataFrame) -> list[dict[str, object]]:
    """Every draw in the order it was made, before blind codes are given."""
    stored = containers[containers["treatment"] == "stored"]
    duplicate = _duplicates(stored)
    rows: list[dict[str, object]] = []
    for k, c in enumerate(rows_of(containers)):
        own: list[tuple[str, str, float | None]] = []
        for depth, h in zip(DEPTHS, HEIGHTS, strict=True):
            own.append(("spot", depth, h))
            if (c.container, depth) in duplicate:
                own.append(("duplicate", depth, h))
        heel = c.treatment == "stored" and c.pail_of_pair == "1"
        if heel:
            own.append(("heel", "heel", HEEL_HEIGHT))
        if heel and c.visit == "2":
            own.append(("composite", "", None))
        rows += [_draw(c, k % 7, i, *draw) for i, draw in enumerate(own, start=1)]
    return rows


def _draw(c: Any, turn: int, order: int, kind: str, depth: str, height: float | None) -> dict[str, object]:
    day, minute = c.sampled_on, 8 * 60 + 60 * turn + 8 * order
    tool = "full column after 10 min tumbling" if kind == "composite" else "closed tube, depth stop"
    return {
        "container": c.container, "kind": kind, "depth": depth,
        "height": "" if height is None else f"{height:g}", "draw_order": order, "purge_ml": "5", "volume_ml": "100",
        "tool": tool, "drawn_at": f"{day} {minute // 60:02d}:{minute % 60:02d}", "drawn_by": "store keeper",
        "appearance": "clear", "note": "",
    }


def _duplicates(stored: pd.DataFrame) -> set[tuple[str, str]]:
    """Nine draws to be repeated blind: from the second pails, two or three a visit and depth."""
    rng = stream(SEED, "duplicates")
    names = rng.permutation(stored.loc[stored["pail_of_pair"] == "2", "container"].to_numpy(dtype=object))[:9]
    return {(c, DEPTHS[i % 3]) for i, c in enumerate(names)}


def _codes(count: int) -> list[str]:
    """Blind codes: four characters, digits with now and then an E or a leading zero."""
    rng = stream(SEED, "blind codes")
    codes = [f"{n:04d}" for n in rng.permutation(np.arange(37, 9800))[: count - len(SPECIAL_SAMPLES)]]
    codes += list(SPECIAL_SAMPLES)
    return [str(c) for c in rng.permutation(np.array(codes, dtype=object))]


def make_plan() -> Plan:
    """All plan tables of the gear-oil demo."""
    containers = pails()
    draws = pd.DataFrame(_draws(containers))
    checks = pd.DataFrame([{"container": "", "kind": "check fluid", "depth": "", "height": "", "draw_order": "",
                            "purge_ml": "", "volume_ml": "100", "tool": "", "drawn_at": "", "drawn_by": "",
                            "appearance": "clear", "note": f"for run R{g}"} for g in range(1, 5)])
    samples = pd.concat([draws, checks], ignore_index=True)
    samples.insert(0, "sample", _codes(len(samples)))
    stored = containers[containers["treatment"] == "stored"]
    hut = stored[(stored["store"] == "hut") & (stored["pail_of_pair"] == "1") & (stored["visit"] == "2")]
    swap = stored[(stored["lot"] == LOTS[2][0]) & (stored["store"] == "valley") & (stored["visit"] == "2")
                  & (stored["pail_of_pair"] == "1")]
    return Plan(containers=containers, samples=samples, runs=_runs(containers, samples),
                swapped=str(swap["container"].iloc[0]), wet=(str(hut["container"].iloc[0]),
                                                             str(hut["container"].iloc[2])))


def _runs(containers: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """Runs R1, R2 (first visit) and R3, R4 (second): whole pails in a run, positions at random."""
    place = {}
    for c in rows_of(containers):
        second = c.pail_of_pair == "2" or c.treatment == "layered control"
        place[c.container] = f"R{2 * (int(c.visit) - 1) + 1 + second}"
    run = [place[s.container] if s.container else s.note.removeprefix("for run ") for s in rows_of(samples)]
    frame = pd.DataFrame({"sample": samples["sample"], "run": run})
    rng = stream(SEED, "positions")
    frame["run_order"] = 0
    for name in ("R1", "R2", "R3", "R4"):
        at = frame["run"] == name
        frame.loc[at, "run_order"] = rng.permutation(int(at.sum())) + 1
    return frame
