"""Mutants that change no result, each with its reason: ``module|function|kind|before|after|nth``."""

EQUIVALENT: dict[str, str] = {
    "inference/critical_range|_spread|dropped function|math.sqrt(stats.chi2.ppf(1e-14, df) / df)|"
    "stats.chi2.ppf(1e-14, df) / df|0": "begins the integral where there is no probability either",
    "inference/equivalence|Comparison.at_least_shown|index|self.tests[0]|self.tests[-1]|0":
        "all contrasts of a comparison have one unit",
}
