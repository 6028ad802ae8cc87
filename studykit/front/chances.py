"""What a design would be able to say, in one call."""

from __future__ import annotations

import math

from studykit.core.errors import single
from studykit.design import operating
from studykit.front.amounts import margin_of, on_margin
from studykit.study.definition import Assumption


def chances(*, containers: int, depths: int, margin: str, repeatability: str, determinations: int = 1,
            profiles: str | None = None, difference: str | None = None, shape: str = "linear",
            alpha: float = 0.05) -> operating.OperatingCharacteristic:
    """The chance of each verdict for one analyte, before anybody samples.

    ``margin``, ``repeatability`` (standard deviation of one determination), ``profiles`` (standard deviation of
    the containers' own depth profiles) and ``difference`` (true lowest minus uppermost depth) are texts with
    their unit, '5 %' or '2 mg/kg'; a bare number is refused, because 5 could be either. ``shape`` is 'linear'
    or 'lowest only'. Raises BadInput for amounts of different kinds; ValueError for impossible counts.
    """
    declared, unit = margin_of(margin)
    nothing = "0 %" if declared.relative else f"0 {unit}"
    gradient = on_margin(difference or nothing, "difference", declared, unit, negative=True)
    if shape not in ("linear", "lowest only"):
        raise single("shape", "this shape is not known", "write 'linear' or 'lowest only'", value=shape)
    expected = Assumption(s_r=on_margin(repeatability, "repeatability", declared, unit),
                     sd_container_depth=on_margin(profiles or nothing, "profiles", declared, unit),
                     gradient=_on_scale(gradient) if declared.relative else gradient,
                     shape="lowest only" if shape == "lowest only" else "linear")
    size = operating.DesignSize(containers=containers, depths=depths, replicates=determinations)
    return operating.chances(size, expected, operating.margin_on_scale(declared), alpha=alpha)


def _on_scale(percent: float) -> float:
    """A difference in per cent as 100 ln(ratio), the scale of relative margins; BadInput for a loss of all."""
    if percent <= -100:
        raise single("difference", "nothing can fall by 100 % or more", "write a smaller fall", value=f"{percent:g} %")
    return 100 * math.log1p(percent / 100)
