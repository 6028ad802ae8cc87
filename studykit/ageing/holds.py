"""What times to the margin rest on and hold for, in sentences: the containers' scatter, the lots sampled, what is random."""

from __future__ import annotations

from studykit.ageing.tied import AGE
from studykit.ageing.trend import Ageing
from studykit.study.definition import Study


def no_slopes(study: Study) -> str:
    """That containers' own rates and numbers that act on depth have no term in the lines."""
    columns = study.factors.columns
    numbers = [f for f in study.factors.by_depth if f in columns and columns[f].unit is not None]
    return (" The lines have no term for containers' own rates: these count as scatter between containers, whatever its shape."
            + (f" Not in the lines, as numbers that act on depth: {', '.join(numbers)}. Containers of every value are "
               "taken together." if numbers else ""))


def few(found: Ageing) -> str:
    """What the times of the share of containers rest on, and what so few containers alone could show."""
    told = [t.own for t in found.trends if t.spread is not None]
    if not told:
        return ""
    own = min(told, key=lambda own: len(set(own.units)))
    n, unseen = len(set(own.units)), 100 * (1 - own.alpha ** (1 / len(set(own.units))))
    text = " Times of the share of containers hold where containers are normally distributed about their line"
    return text + (f": without that, {n} containers none of which is beyond still leave {unseen:.0f} % of the stock open."
                   if unseen > 100 * own.share else ".")


def lots(study: Study, found: Ageing) -> str:
    """What the times say of lots: cannot be told from age, a sample of more lots, or these only; '' with nothing to say."""
    if any(tie.of("lot", AGE) for t in found.trends for tie in t.own.tied):
        return ("Each lot was sampled at ages of its own: lots and age cannot be told apart, so what looks like growth may be "
                "lots, and a time may be too long; nothing is said beyond the oldest age.")
    if over := {t.over_lots for t in found.trends} - {0}:
        number = ", ".join(map(str, sorted(over)))
        return (f"Lots are declared random: where four or more were seen at several ages ({number}) they are taken as a "
                "sample of more, and the shorter of the containers' and the lots' times is given.")
    lots = {str(lot) for t in found.trends for lot in t.own.lots} - {""}
    if not lots or (len(lots) == 1 and study.scope in ("container", "lot")):
        return ""
    which = f"lot {', '.join(lots)} alone" if len(lots) == 1 else "the lots sampled"
    return f"The times hold for {which}: others may settle at other rates, and then they are too long."


def more_lots(holds: str) -> str:
    """What would let the times speak of more lots, where they hold for those sampled only."""
    return (" Four lots or more, each at several ages, are taken as a sample of more where random = [\"lot\"] stands under "
            "[factors]." if holds.startswith("The times hold") else "")


def over(found: Ageing) -> str:
    """What the times say of other factors that are declared random."""
    told = sorted({pair for t in found.trends for pair in t.over if pair[0] != "lot"})
    taken = [f"{name} ({n} levels)" for name, n in told if n]
    few = sorted({name for name, n in told if not n})
    text = f" Declared random and taken as a sample of more: {', '.join(taken)}; the shortest time is given." if taken else ""
    return text + (f" Declared random, with fewer than four levels that were seen at several ages: {', '.join(few)}; the times "
                   "hold for these levels only." if few else "")


def rests(found: Ageing) -> str:
    """That times are held against a bend, and of containers that were not drawn to the end."""
    text = (" A time of the mean is given only as far as both that course and one with a bend show it, and beyond the oldest "
            "age the share of containers likewise." if any(not t.bent for t in found.trends) else "")
    return text + (" Some containers were not drawn to the end: lines are then those of a mixed model with a level and a rate "
                   "of each container. That is right where they were given up because of earlier readings, not where the "
                   "reason was something that nobody measured." if any(len(t.outer.own.gone) for t in found.trends) else "")


def all_pairs(found: Ageing) -> str:
    """That every pair of depths counts, and which have no line."""
    if all(len(t.pairs) < 2 and not t.without for t in found.trends):
        return ""
    gone = sorted({f"{pair} ({t.own.label})" for t in found.trends for pair in t.without})
    return (" Each pair of depths has a line of its own, and the one that allows least decides; the declared share "
            "of containers is that of those beyond in any pair." + (f" Not judged, for want of readings: {', '.join(gone)}."
                                                          if gone else ""))
