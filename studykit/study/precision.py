"""Published precision of test methods, as functions of the level, each with edition, range and how sure.

r is the repeatability limit: two results of one laboratory, operator and run on identical material
differ by more in 1 of 20 cases; R the same between laboratories. r = 1.96 * sqrt(2) * s_r = 2.77 s_r
(ISO 5725 and ASTM E691 print 2.8; ISO 4259 uses Student's t, which tends to 2.77). Both were obtained
on identical, well-mixed material: they hold no drawing error, and hold only inside the range of levels,
matrices and particle sizes of the method.

Most equations here are quoted from memory and say so: "from memory, check your copy". A laboratory's
own repeatability, written into study.toml, always wins (``resolve_precision``). Further methods are
added with ``register``.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from studykit.core.errors import BadInput, DesignMismatch, single
from studykit.core.units import convert

R_FACTOR = 1.959963984540054 * math.sqrt(2)

MEMORY = "from memory, check your copy"
SEEN = "seen in a quotation of the standard, check your copy"
_ICP_BLIND = ("particles above a few micrometres, which are read low or missed (ASTM D5185, scope 1.4), and "
              "whatever holds none of the elements measured, such as an acrylate antifoam")
_KV_BLIND = "additives at the mg/kg level, which hardly change viscosity, and a thin layer on the floor"
_XRF_BLIND = "whatever holds none of the elements measured, such as an acrylate antifoam"


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """A precision limit as a function of level x: a * (x + shift) ** power, in the method's unit."""

    a: float
    power: float = 1.0
    shift: float = 0.0

    def at(self, level: float) -> float:
        """The limit at ``level`` (> 0)."""
        return float(self.a * (level + self.shift) ** self.power)


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """Precision of one analyte by one edition of one method; low and high bound the levels it holds for."""

    key: str
    analyte: str
    unit: str
    r: PowerLaw
    R: PowerLaw | None
    low: float
    high: float
    source: str
    sure_r: str
    sure_R: str  # noqa: N815 - R is the trade's symbol
    cannot_see: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Repeatability and reproducibility at one level, in ``unit``; R and s_R are None where unknown.

    ``warning`` is empty where nothing needs saying; ``df`` are the degrees of freedom behind s_r
    (infinite: taken as known); ``kind`` tells the laboratory's own statement from a published one.
    """

    kind: Literal["published", "laboratory"]
    level: float
    unit: str
    r: float
    s_r: float
    R: float | None = None
    s_R: float | None = None  # noqa: N815 - R is the trade's symbol
    in_range: bool = True
    warning: str = ""
    source: str
    sure: str = ""
    cannot_see: str = ""
    df: float = math.inf

    @property
    def r_percent(self) -> float:
        """r in per cent of the level."""
        return 100 * self.r / self.level


def _icp() -> list[Method]:
    # analyte: low, high (mg/kg), a and power of r, a and power of R
    table = """
    Al 6 40 0.71 0.41 3.8 0.26|Ba 0.5 4 0.24 0.66 0.59 0.92|B 4 30 0.26 1 13 0.01|Ca 40 9000 0.0020 1.4 0.015 1.3
    Cr 1 40 0.17 0.75 0.81 0.61|Cu 2 160 0.12 0.91 0.24 1|Fe 2 140 0.13 0.80 0.52 0.80|Pb 10 160 1.6 0.32 3.0 0.36
    Mg 5 1700 0.16 0.86 0.72 0.77|Mn 5 700 0.010 1.3 0.13 1.2|Mo 5 200 0.29 0.70 0.64 0.71|Ni 5 40 1.5 0.17 1.5 0.50
    P 10 1000 1.3 0.58 4.3 0.50|K 40 1200 3.8 0.33 6.6 0.29|Si 8 50 1.3 0.26 2.9 0.39|Ag 0.5 50 0.15 0.83 0.35 1
    Na 7 70 0.49 0.66 1.1 0.71|S 900 6000 0.49 0.81 1.2 0.75|Sn 10 40 2.4 0.17 2.1 0.62|Ti 5 40 0.54 0.37 2.5 0.47
    V 1 50 0.061 1.1 0.28 1.1|Zn 60 1600 0.15 0.88 0.083 1.1"""
    rows = [cell.split() for line in table.strip().splitlines() for cell in line.split("|")]
    editions = ("95", "97", "02", "05", "09", "13", "13e1", "18")
    return [Method(key=f"ASTM D5185-{year}", analyte=el, unit="mg/kg", low=float(low), high=float(high),
                   r=PowerLaw(a=float(a), power=float(b)), R=PowerLaw(a=float(c), power=float(d)),
                   source=f"ASTM D5185-{year}, precision tables (14 laboratories, 12 specimens in duplicate)",
                   sure_r=MEMORY, sure_R=MEMORY, cannot_see=_ICP_BLIND,
                   note="the editions from 1995 to 2018 rest on one interlaboratory study")
            for year in editions for el, low, high, a, b, c, d in rows]


def _viscosity() -> list[Method]:
    kv = {"KV40": 40, "KV50": 50, "KV80": 80, "KV100": 100, "KV150": 150}
    # matrix, analytes, r (a, power, shift), sure, R (a, power, shift), sure, allowed levels mm²/s
    old = [("base oils", ("KV40", "KV100"), (0.0011, 1, 0), SEEN, (0.0065, 1, 0), SEEN),
           ("formulated oils", ("KV40", "KV100"), (0.0026, 1, 0), SEEN, (0.0076, 1, 0), MEMORY),
           ("formulated oils", ("KV150",), (0.0056, 1, 0), SEEN, (0.018, 1, 0), MEMORY),
           ("petroleum wax", ("KV100",), (0.0141, 1.2, 0), MEMORY, (0.0366, 1.2, 0), MEMORY),
           ("residual fuels", ("KV80", "KV100"), (0.013, 1, 8), SEEN, (0.04, 1, 8), MEMORY),
           ("residual fuels", ("KV50",), (0.015, 1, 0), SEEN, (0.074, 1, 0), MEMORY),
           ("additives", ("KV100",), (0.00192, 1.1, 0), MEMORY, (0.00862, 1.1, 0), MEMORY)]
    new = [("base oils", ("KV40",), (0.0101, 1, 0), MEMORY, (0.0136, 1, 0), MEMORY),
           ("base oils", ("KV100",), (0.0085, 1, 0), MEMORY, (0.0190, 1, 0), MEMORY),
           ("formulated oils", ("KV40",), (0.0074, 1, 0), MEMORY, (0.0122, 1, 0), MEMORY),
           ("formulated oils", ("KV100",), (0.0084, 1, 0), MEMORY, (0.0138, 1, 0), MEMORY),
           ("formulated oils", ("KV150",), (0.0056, 1, 0), MEMORY, (0.018, 1, 0), MEMORY)]
    used = "used oils were not in the study; their precision is expected to be poorer"
    out = []
    for key, rows in (("ISO 3104:1994", old), ("ASTM D445-06", old), ("ASTM D445-12", new)):
        for matrix, names, r, sure_r, R, sure_R in rows:
            out += [Method(key=f"{key} {matrix}", analyte=n, unit="mm²/s", low=0.2, high=300_000.0,
                           r=PowerLaw(a=r[0], power=r[1], shift=r[2]), R=PowerLaw(a=R[0], power=R[1], shift=R[2]),
                           source=f"{key}, precision clause, {matrix} at {kv[n]} °C", sure_r=sure_r, sure_R=sure_R,
                           cannot_see=_KV_BLIND,
                           note=f"{used}; editions differ in r by up to 9 times, so the edition counts")
                    for n in names]
    return out


_REGISTRY: dict[tuple[str, str], Method] = {(m.key, m.analyte): m for m in _icp() + _viscosity()}

# methods that are asked for, whose precision equations are not stored here
WITHOUT_PRECISION: dict[str, str] = {
    "ASTM D4951": _ICP_BLIND,
    "ASTM D6595": "particles above about 10 micrometres, and " + _XRF_BLIND,
    "ASTM D6481": _XRF_BLIND,
    "ASTM D7751": _XRF_BLIND,
    "ASTM D6304": "where the water is: droplets that settle before the portion is taken are missed",
}


def register(method: Method, *, replace: bool = False) -> None:
    """Add a method (or, with ``replace``, correct one) for the rest of this session."""
    if (method.key, method.analyte) in _REGISTRY and not replace:
        raise ValueError(f"{method.key} {method.analyte} must not be registered twice; pass replace=True")
    if not (0 < method.low < method.high and method.r.at(method.low) > 0):
        raise ValueError(f"{method.key} {method.analyte} must have 0 < low < high and r > 0 at low")
    _REGISTRY[method.key, method.analyte] = method


def method_keys() -> tuple[str, ...]:
    """All keys with a stored precision."""
    return tuple(dict.fromkeys(key for key, _ in _REGISTRY))


def methods_table() -> pd.DataFrame:
    """Every stored precision statement, one row a method and analyte."""
    rows = []
    for m in _REGISTRY.values():
        rows.append({"key": m.key, "analyte": m.analyte, "unit": m.unit, "low": m.low, "high": m.high,
                     "r at low": m.r.at(m.low), "r at high": m.r.at(m.high), "r": m.sure_r,
                     "R": m.sure_R if m.R else "not stored", "cannot see": m.cannot_see, "note": m.note})
    return pd.DataFrame(rows)


def _base(key: str) -> str:
    """'ASTM D4951-14' -> 'ASTM D4951': designation without the edition."""
    return key.strip().split("-")[0].split(":")[0]


def find_method(method_key: str, analyte: str) -> Method:
    """The stored entry for a method key (with edition) and an analyte; BadInput names what is near."""
    found = _REGISTRY.get((method_key, analyte))
    if found is not None:
        return found
    column = f"analytes.{analyte}.method_key"
    remedy = "give the laboratory's own r or s_r as 'repeatability' in study.toml"
    if _base(method_key) in WITHOUT_PRECISION:
        raise single("study.toml", f"no precision equations are stored for {_base(method_key)}",
                     f"take r from your copy of the standard, or {remedy}", column=column, value=method_key)
    keys = method_keys()
    if method_key in keys:
        known = ", ".join(sorted(a for k, a in _REGISTRY if k == method_key))
        raise single("study.toml", f"{method_key} has no stored precision for {analyte}; it has {known}",
                     remedy, column=column, value=method_key)
    same = [k for k in reversed(keys) if _base(k) == _base(method_key)]
    near = same[:4] or difflib.get_close_matches(method_key, keys, n=4, cutoff=0.5)
    hint = f"did you mean {' or '.join(repr(k) for k in near)}? else " if near else ""
    raise single("study.toml", "unknown method key (designation with edition, and matrix for viscosity)",
                 hint + remedy, column=column, value=method_key)


def cannot_see(method_key: str, analyte: str = "") -> str:
    """What the method cannot see, to be repeated beside a verdict; '' where nothing is stored."""
    m = _REGISTRY.get((method_key, analyte))
    if m is not None:
        return m.cannot_see
    same = [x.cannot_see for (k, _), x in _REGISTRY.items() if k == method_key or _base(k) == _base(method_key)]
    return same[0] if same else WITHOUT_PRECISION.get(_base(method_key), "")


def _level(level: float, analyte: str) -> float:
    if not (math.isfinite(level) and level > 0):
        raise DesignMismatch(f"The precision of {analyte or 'an analyte'} cannot be worked out at a level of {level:g}: "
                             "it needs a mean above 0. Give the laboratory's s_r or r as an absolute value.")
    return float(level)


def precision(method_key: str, analyte: str, level: float, unit: str) -> Precision:
    """Published r, R, s_r and s_R at a level (> 0, in ``unit``), with range, source and how sure.

    Outside the stored range the equation is still evaluated, ``in_range`` is False and ``warning`` says
    what follows; a unit of another kind than the method's is refused (BadInput).
    """
    m = find_method(method_key, analyte)
    try:
        x, back = convert(_level(level, analyte), unit, m.unit), convert(1.0, m.unit, unit)
    except ValueError as error:
        if "cannot be converted" not in str(error) and "density" not in str(error):
            raise
        raise single("study.toml", str(error), f"give the unit of {analyte} as {m.unit} or one of its kind",
                     column=f"analytes.{analyte}.unit", value=unit) from None
    r, R = m.r.at(x), m.R.at(x) if m.R else None
    warnings = []
    if not m.low <= x <= m.high:
        side = "below" if x < m.low else "above"
        warnings.append(f"{x:.4g} {m.unit} lies {side} the range of {m.key} ({m.low:g} to {m.high:g} {m.unit}): "
                        "its precision is not established there, take the result as provisional")
    if R is not None and r > R:
        warnings.append(f"the extrapolated r ({r:.3g}) exceeds R ({R:.3g}), which cannot be: do not act on it")
    return Precision(kind="published", level=float(level), unit=unit, r=r * back, s_r=r * back / R_FACTOR,
                     R=None if R is None else R * back, s_R=None if R is None else R * back / R_FACTOR,
                     in_range=m.low <= x <= m.high, warning="; ".join(warnings), source=m.source, sure=m.sure_r,
                     cannot_see=m.cannot_see)


STATED = "stated in study.toml: "
"""Begins the source of whatever a person stated there, so that it cannot pass for a published one of the kit's."""
FAR_BELOW = 5.0
"""A stated r that many times smaller than the published one is asked about (own judgement)."""
_OWN = ("s_r", "s_r_percent", "r", "r_percent")


def own_precision(own: Mapping[str, Any] | object, level: float, unit: str) -> Precision:
    """A laboratory's own statement at a level: exactly one of s_r, s_r_percent, r, r_percent; source.

    Accepts the study's ``repeatability`` section or a mapping with the same keys.
    """
    values = {k: (own.get(k) if isinstance(own, Mapping) else getattr(own, k, None)) for k in _OWN}
    given = {k: v for k, v in values.items() if v is not None}
    if len(given) != 1:
        raise BadInput(single("study.toml", f"give exactly one of {', '.join(_OWN)}",
                              "keep one of them", column="repeatability", value=", ".join(given)).faults)
    (name, value), = given.items()
    if not (isinstance(value, int | float) and math.isfinite(value) and value > 0):
        raise single("study.toml", "must be a finite number above 0", "correct it", column=f"repeatability.{name}",
                     value=str(value))
    absolute = value * _level(level, "") / 100 if name.endswith("percent") else float(value)
    s_r = absolute / R_FACTOR if name.startswith("r") else absolute
    source = own.get("source", "") if isinstance(own, Mapping) else getattr(own, "source", "")
    return Precision(kind="laboratory", level=float(level), unit=unit, r=s_r * R_FACTOR, s_r=s_r,
                     source=STATED + (source or "the laboratory's own"), sure="as stated by the laboratory")


def in_place_of_published(analytes: Mapping[str, Any], results: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """r in per cent of the level, as stated in study.toml and as published, of each analyte that has both, by its key.

    The level is the median of the values in ``results``, else ``nominal``. An analyte without one above 0 is left out.
    """
    out, clear = {}, results[results["qualifier"] == ""]
    for key, a in analytes.items():
        values = clear.loc[clear["analyte"] == key, "value"]
        level = float(values.median()) if len(values) else a.nominal or 0.0
        if a.repeatability is not None and (a.method_key, key) in _REGISTRY and level > 0:
            out[key] = (own_precision(a.repeatability, level, a.unit).r_percent,
                        precision(a.method_key, key, level, a.unit).r_percent)
    return out


def resolve_precision(level: float, unit: str, *, own: Mapping[str, Any] | object | None = None,
                      method_key: str = "", analyte: str = "") -> Precision:
    """The precision that applies: the laboratory's own if given, else the published one, else BadInput.

    With both, s_r and r are the laboratory's, and R and what the method cannot see are the published ones.
    """
    if own is None:
        if not method_key:
            raise single("study.toml", "neither a method key nor the laboratory's repeatability is given",
                         "give 'repeatability' (r or s_r with its source) or a 'method_key'",
                         column=f"analytes.{analyte}")
        return precision(method_key, analyte, level, unit)
    mine = own_precision(own, level, unit)
    if (method_key, analyte) not in _REGISTRY or not level > 0:
        return Precision(kind="laboratory", level=mine.level, unit=unit, r=mine.r, s_r=mine.s_r, source=mine.source,
                         sure=mine.sure, cannot_see=cannot_see(method_key, analyte) if method_key else "")
    public = precision(method_key, analyte, level, unit)
    scope = public.warning.split("; the extrapolated")[0]  # r is the laboratory's, so r > R says nothing here
    return Precision(kind="laboratory", level=mine.level, unit=unit, r=mine.r, s_r=mine.s_r, R=public.R,
                     s_R=public.s_R, in_range=public.in_range, warning=scope, source=mine.source,
                     sure=mine.sure, cannot_see=public.cannot_see)
