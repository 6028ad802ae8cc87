"""What a design would be able to say, in one call."""

from __future__ import annotations

from studykit.core.errors import single
from studykit.design import operating
from studykit.inference import Margin
from studykit.study.amounts import count, margin_of, on_margin, scatter_of
from studykit.study.definition import Assumption


def chances(*, containers: int, depths: int, margin: str, repeatability: str, determinations: int = 1,
            profiles: str | None = None, difference: str | None = None, shape: str = "linear",
            alpha: float = 0.05) -> operating.OperatingCharacteristic:
    """The chance of each verdict for one analyte, before anybody samples.

    ``margin``, ``repeatability`` (standard deviation of one determination), ``profiles`` (standard deviation of
    the containers' own depth profiles) and ``difference`` (true lowest minus uppermost depth) are texts with
    their unit, '5 %' or '2 mg/kg'; a bare number is refused, because 5 could be either. ``shape`` is 'linear'
    or 'lowest only'. The words are those for the mean: for a whole stock, containers count on their own too, and with
    none of n beyond the margin at least 1 - alpha**(1/n) of the stock may be (22 % with 12).
    Raises BadInput for amounts of different kinds and for impossible counts.
    """
    declared, unit = margin_of(margin)
    scale, nothing = Margin.declared(declared, unit), "0 %" if declared.relative else f"0 {unit}"
    gradient = on_margin(difference or nothing, "difference", declared, unit, negative=True)
    if shape not in ("linear", "lowest only"):
        raise single("shape", "this shape is not known", "write 'linear' or 'lowest only'", value=str(shape))
    expected = Assumption(s_r=scatter_of(repeatability, "repeatability", declared, unit),
                     sd_container_depth=on_margin(profiles or nothing, "profiles", declared, unit),
                     gradient=scale.as_scatter(gradient),
                     shape="lowest only" if shape == "lowest only" else "linear")
    if isinstance(alpha, bool) or not isinstance(alpha, int | float) or not 0 < alpha < 0.5:
        raise single("alpha", "must lie between 0 and 0.5", "0.05 is usual", value=str(alpha))
    size = operating.DesignSize(containers=count(containers, "containers"), depths=count(depths, "depths", 2),
                                replicates=count(determinations, "determinations"))
    return operating.chances(size, expected, scale.shown_sd(scale.edge), alpha=alpha)
