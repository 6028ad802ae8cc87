"""A study begun from answers: the commented study.toml, its tables, and what was assumed in words."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from studykit.study.asking import known, liquid_of, package_of, share_remark, unit_of
from studykit.study.definition import Margin
from studykit.study.precision import MEMORY
from studykit.study.readers import LYING, UNKNOWN

Found = Mapping[str, Any]
DEPTHS = (("A", "upper", 0.83), ("B", "middle", 0.5), ("C", "lower", 0.17))
HEEL = "heel = false  # one bottle per container from the floor, true once [safety] is answered; nothing is known of it without"
ACTIONS = {"homogeneous": '{ do = "Use as it stands.", asks_for = "nothing" }',
           "uneven": '"Set every container aside whose own readings do not show it within the margins."',
           "stratified": '{ do = "Leave it shut and ask the supplier.", asks_for = "nothing" }',
           "inconclusive": '{ do = "Have more measured, then decide.", asks_for = "nothing" }'}
"""What is done at each answer until a person writes better; asks_for: what of it could hurt."""


def definition(found: Found, template: str, seed: int, taken: Iterable[str] = ()) -> str:
    """The text of study.toml: the answers in their places in the template, whose other lines stay as they are.

    ``taken``: questions whose answer was taken without anybody having given or confirmed it.
    """
    taken = set(taken)
    package = package_of(found)
    head, tail = template.index("title ="), template.index("# What the fluid is")
    sampling = template[tail:].replace('containers = 12 ', f'containers = {found.get("opened", 1)} ')
    sampling = re.sub(r"(?m)^heel = true.*$", HEEL, sampling)
    return "".join((template[:head], _head(found, seed, taken), _factors(found), _analytes(found, taken),
                    f"# The inside of one {package.name}, in mm. {_inside_told(found)}\n[vessels.{package.name}]\n"
                    f"{package.shape}\n\n", sampling))


def _head(found: Found, seed: int, taken: set[str]) -> str:
    """Title, question, who decides, scope, and what is done at each answer."""
    package, one = package_of(found).name, found["count"] == 1
    question = ("May it be used as it stands, without mixing?" if one else
                f"May the {package}s be used as they stand, without mixing?")
    fluid = found["fluid"]
    lines = [_line("title", f"{fluid[:1].upper()}{fluid[1:]}: {found['count']} {package}{'' if one else 's'}"),
             _line("question", question, "assumed"),
             _line("responsible", found["responsible"]),
             _line("scope", "container" if one else "stock", "what the answer is for: container | lot | store | stock"),
             "alpha = 0.05  # chance of calling a layered stock homogeneous; assumed"]
    lines += [] if one else [f"share_percent = {found.get('share', 99)}  # largest share of containers that may lie beyond the "
                             f"margin{'; assumed' * ('share' in taken)}"]
    lines += [f"seed = {seed}  # for blind codes and random orders; any whole number",
              '# exclusion_rules = ["a bottle that leaked on the way"]  # when a result may be left out: before the data', "",
              "# What will be done at each answer; assumed. Each says what it asks for of what can hurt (docs/00-study.md).",
              "[actions]"]
    return "\n".join([*lines, *(f"{k} = {v}" for k, v in ACTIONS.items() if not (one and k == "uneven"))]) + "\n\n"


def _factors(found: Found) -> str:
    """Depths, and stores as a factor where there are several."""
    stores = '["store"]' if len(found.get("from", ())) > 1 else "[]"
    why = "stores may differ; assumed" if stores != "[]" else "further terms: lot, store, age_months, treatment"
    depths = json.dumps([d for _, d, _ in DEPTHS])
    return (f"[factors]\ndepths = {depths}  # from the surface down; assumed\nfixed = {stores}  # {why}\n"
            f"by_depth = {stores}  # those of fixed whose effect may differ between depths\n\n")


def _analytes(found: Found, taken: set[str]) -> str:
    head = ("# One block per analyte. margin: the largest difference between two depths that does not matter, in per cent of\n"
            "# the level, as a factor (2: from half to double), or absolute in the analyte's unit.\n")
    return head + "".join(_analyte(found, key, f"precision.{key}" in taken) for key in found["analytes"])


def _analyte(found: Found, key: str, assumed_: bool) -> str:
    """One analyte's block; ``assumed_``: nobody answered how well the laboratory repeats it."""
    has = known(key, liquid_of(found))
    stated, level = found[f"precision.{key}"], found.get(f"level.{key}")
    lines = [f"[analytes.{key if re.fullmatch(r'[A-Za-z0-9_-]+', key) else json.dumps(key)}]"]
    lines += [_line("label", has.label)] if has else []
    lines += [_line("unit", unit_of(key, found)),
              _line("method", has.method if has else found[f"method.{key}"], "assumed: or the laboratory's own" if has else ""),
              f"margin = {_margin(found[f'margin.{key}'])}", _line("margin_reason", found[f"reason.{key}"])]
    lines += [_line("kind", has.kind)] if has else []
    lines += [f"nominal = {level!r}"] if level else []
    if stated:
        parts = ", ".join(f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in stated.items())
        lines.append(f"repeatability = {{ {parts} }}")
    elif has and has.published:
        why = f"its published repeatability is taken, {MEMORY}{'; assumed' * assumed_}"
        lines.append(_line("method_key", has.published.key, why))
    else:
        lines.append('# repeatability = { s_r_percent = 5, source = "the laboratory\'s control chart" }  # not known yet')
    return "\n".join(lines) + "\n\n"


def _margin(margin: Margin) -> str:
    return margin.toml()


def _line(key: str, value: str, why: str = "") -> str:
    return f"{key} = {json.dumps(value, ensure_ascii=False)}{f'  # {why}' if why else ''}"


def _inside_told(found: Found) -> str:
    return "" if "inside" in found else "Assumed: measure your own."


def tables(found: Found) -> dict[str, str]:
    """The plan tables by their path: the whole stock, or the one container with its three bottles and a table for results."""
    package, filled = package_of(found), found["filled"]
    if found["count"] > 1:
        letter = package.name[:1].upper()
        stores = [store for store, number in found["from"].items() for _ in range(number)]
        wide = len(str(found["count"]))
        lies = (LYING,) if found.get("posture") == LYING else ()
        rows = [(f"{letter}{k:0{max(2, wide)}d}", "", store, package.name, f"{package.litres:g}", filled, *lies)
                for k, store in enumerate(stores, start=1)]
        columns = ("container", "lot", "store", "vessel", "fill_volume_l", "filled_on", *["orientation"] * len(lies))
        return {"plan/stock.csv": _csv(columns, rows)}
    columns = ("container", "lot", "store", "vessel", "fill_volume_l", "filled_on", "sampled_on", "last_moved_on", "treatment",
               "orientation")
    row = (f"{package.name[:1].upper()}1", "", "", package.name, f"{package.litres:g}", filled, "", "", "stored",
           found.get("posture", ""))
    bottles = [(code, row[0], "spot", depth, f"{height}", str(k), "")
               for k, (code, depth, height) in enumerate(DEPTHS, start=1)]
    units = [unit_of(key, found) for key in found["analytes"]]
    return {"plan/containers.csv": _csv(columns, [row]),
            "plan/samples.csv": _csv(("sample", "container", "kind", "depth", "height", "draw_order", "note"), bottles),
            "raw/results.csv": _csv(("sample", *found["analytes"]), [("", *units), *((code, *[""] * len(units))
                                                                                   for code, *_ in DEPTHS)])}


def attention(found: Found) -> list[str]:
    """What was answered and stops short of a word: a share that no result can show, one container without its precision."""
    one = found["count"] == 1
    told = [] if one or "share" not in found else [
        share_remark(found["opened"], found["share"], found["count"], f"{package_of(found).name}s")]
    for key in found["analytes"]:
        has = known(key, liquid_of(found))
        if one and found[f"precision.{key}"] is None and not (has and has.published):
            told.append(f"{key}: how well the laboratory repeats it is missing, and one container cannot be judged without it. "
                        "Ask the laboratory how far two results of one bottle may differ (r), or for their standard deviation "
                        f"(s_r): at which level, from how many results, since when. Then write repeatability under "
                        f"[analytes.{key}] of study.toml, where a line is prepared")
    return [t for t in told if t]


def _csv(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([head, *rows])
    return out.getvalue()


def assumed(found: Found, taken: Iterable[str]) -> list[str]:
    """What stands in the study without anybody having said it, in sentences; each can be changed by hand."""
    package, one, taken = package_of(found), found["count"] == 1, set(taken)
    told = [f"filled to {package.litres:g} L each"]
    told += [] if "inside" in found else [f"the inside of a usual {package.name} of {package.litres:g} L: measure yours"]
    told += ["they stand upright"] if "posture" in taken else []
    told += ["kind of liquid: " + liquid_of(found)] if "kind" not in found else []
    told += ["day of filling not known"] if not found["filled"] else []
    told += [f"{found['opened']} opened"] if "opened" in taken else []
    told += ["one store"] if "from" in taken else []
    told += ["differences between the stores are asked"] if len(found.get("from", ())) > 1 else []
    for key in found["analytes"]:
        has = known(key, liquid_of(found))
        if has and has.published and found[f"precision.{key}"] is None:
            told += [f"{key}: repeatability as published, {has.published.key}, {MEMORY}"] * (f"precision.{key}" in taken)
        elif found[f"precision.{key}"] is None:
            told.append(f"{key}: repeatability {UNKNOWN}; no chances are told before [design.guesses] or the laboratory "
                        "gives it")
        told += [f"{key}: method {has.method}"] if has else []
    beyond = (f"; at most {found.get('share', 99)} % of the containers may lie beyond the margin "
              f"({found['opened']} opened ones cannot show much less)") if not one and "share" in taken else ""
    told += [f"three depths; alpha 0.05{beyond}",
             "the question, and what will be done at each answer ([actions])",
             "[safety] is not answered: no draw at the floor, no mixing, until you answer it from the safety data sheet"]
    return told
