"""Mutants that change no result, each with its reason: ``module|function|kind|before|after|nth``."""

EQUIVALENT: dict[str, str] = {
    "verdict/containers|age_figure|index|table['analyte'].iloc[0]|table['analyte'].iloc[-1]|0":
        "the table holds one analyte only",
}
