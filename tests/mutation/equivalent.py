"""Mutants that change no result, each with its reason: ``module|function|kind|before|after|nth``."""

EQUIVALENT: dict[str, str] = {
    "verdict/limits|bounds_at_extremes.judge|constant|0|1|0":
        "one limit among all results only counts where it is more than half of them",
    "verdict/containers|age_figure|index|table['analyte'].iloc[0]|table['analyte'].iloc[-1]|0":
        "the table holds one analyte only",
}
