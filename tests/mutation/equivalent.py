"""Mutants that change no result, each with its reason: ``module|function|kind|before|after|nth``."""

EQUIVALENT: dict[str, str] = {
    "inference/own|own_differences|dropped function|np.abs(most)|most|0":
        "the upper end is the farther one only where it lies above zero",
    "inference/own|own_differences|comparison|cells.departures.side < 0|cells.departures.side <= 0|0": "a side is -1 or 1",
    "inference/judge|depth_mean|and / or|math.isfinite(low) and math.isfinite(high)|math.isfinite(low) or "
    "math.isfinite(high)|0":
        "where one value has no end, the scatter has none, and both limits are infinite",
    "inference/judge|next_of|and / or|math.isfinite(low) and math.isfinite(high)|math.isfinite(low) or "
    "math.isfinite(high)|0":
        "where one value has no end, the scatter has none, and both limits are infinite",
    "verdict/expected|_of_cells|index|part['reference'].iloc[0]|part['reference'].iloc[-1]|0":
        "what counts as mixed is chosen once for all containers of a component",
    "inference/bounded|_Corner.climb|arithmetic|1e-13 * (1 + abs(best))|1e-13 / (1 + abs(best))|0":
        "what a switch has to gain to be made, far below what the search is asked for",
    "inference/contrasts|_df_under|sign|-2|2|1": "of four axes the third is the last but one",
    "inference/contrasts|_upper|constant|1.0|2|0": "stands where nothing is judged; both who ask put 1 in its place",
    "inference/contrasts|cell_means|comparison|number > 0|number >= 0|0": "nothing over none is not a number either",
    "verdict/floors|on_average|comparison|high <= margin.low|high < margin.low|0":
        "a limit at the worst of all fillings, of which some scatter: the end of a search for it, of continuous numbers",
    "verdict/floors|_upper|arithmetic|1 / n|1 * n|2": "asked for by a floor of rounding alone, and none is given here",
    "inference/bounded|_Corner.of|dropped function|np.abs(l)|l|0":
        "size of what keeps a root from zero; the bound is proven at the point that the search gives, whatever it is",
    "inference/bounded|_Corner.bound|constant|2|3|0": "where a search begins; the bound is proven at its end",
    "verdict/cleared|count_words|comparison|table['within'] == YES|table['within'] >= YES|0":
        "the other word, no, comes before it in the alphabet",
    "verdict/cleared|count_words|comparison|table['within'] == YES|table['within'] >= YES|1":
        "the other word, no, comes before it in the alphabet",
    "inference/tost_power|owens_q|dropped function|math.sqrt(max(nu - 1, 0.0))|max(nu - 1, 0.0)|0":
        "where an integral may end, beyond which there is nothing",
    "inference/judge|maybe_rounded|constant|7|8|0": "a coarse sieve before an exact look: it lets a few more through",
    "inference/declared|departure_p|comparison|_null(df, k - 1, own) >= _departure(S[None], own)[0] * (1 - 1e-12)|"
    "_null(df, k - 1, own) > _departure(S[None], own)[0] * (1 - 1e-12)|0": "no draw equals a bound set a rounding below",
    "mixed/balance|one_minimum|constant|1.0|2|0": "twice a difference that is rounding or many orders above the bound",
    "mixed/balance|one_minimum|comparison|np.abs(summed - Q @ (Q.T @ summed)).max() > WITHIN|"
    "np.abs(summed - Q @ (Q.T @ summed)).max() >= WITHIN|0": "a difference is rounding or many orders above the bound",
    "mixed/batch/newton|_solved|unit factor|1e-06|1.0|0": "shortens more steps of a search; its end does not depend on it",
    "mixed/blocks|_reduced|comparison|len(rows) > m * q|len(rows) >= m * q|0":
        "of as many rows as columns the factor has as many: the same sums of products",
    "mixed/denominator|_satterthwaite|index|L[0]|L[-1]|0": "one contrast: the first is the last",
    "inference/bounded|_branch|other function|np.minimum(x, 1 - x)|np.maximum(x, 1 - x)|0":
        "which container is decided first; the bound at the end is the same",
    "inference/power|_cholesky|index|values[-1]|values[0]|0": "a floor below eigenvalues, eighteen orders under any of them",
    "inference/tost_power|owens_q|and / or|marks or None|marks and None|0": "hints for the integration, whose error is bounded",
    "inference/tost_power|owens_q|other function|max(nu - 1, 0.0)|min(nu - 1, 0.0)|0":
        "hints for the integration, whose error is bounded, and an end where there is no probability either",
    "intake/values|parse_values|sign|-1|1|0": "the place of a reason, looked at only where a cell is bad and has one",
    "physics/column|_classes|other function|np.minimum(np.abs(mean) / 8, 1)|np.maximum(np.abs(mean) / 8, 1)|0":
        "corrects classes too that need it less; either way of computing them is exact there",
    "physics/diffusion|_erfc_scaled|comparison|power > NEGLIGIBLE|power >= NEGLIGIBLE|0": "counts or leaves out exp(-60)",
    "physics/forecast|_profiles_in|index|same['height_mm'].iloc[0]|same['height_mm'].iloc[-1]|0":
        "the rows are grouped by this height: all have it",
    "mixed/likelihood|search|dropped function|abs(now.D)|now.D|0": "size of a tolerance of stopping, where no step leads down",
    "mixed/batch/chain|rough_start|constant|0|1|1": "a start of the search; its end is tested and does not depend on it",
    "mixed/batch/newton|solve|unit factor|0.001|1.0|0": "when to stop: the step that follows is already below the tolerance",
    "mixed/fit|best_state|constant|0.02|0.025|0": "the second start of the search; both lead to the same minimum",
    "mixed/fit|_has_scatter|arithmetic|EXACT * len(z)|EXACT / len(z)|0":
        "a bound between rounding and any real scatter, which are many orders of magnitude apart",
    "inference/critical_range|_spread|dropped function|math.sqrt(stats.chi2.ppf(1e-14, df) / df)|"
    "stats.chi2.ppf(1e-14, df) / df|0": "begins the integral where there is no probability either",
    "mixed/batch/chain|build_chain|constant|1|2|2": "one parent more that holds no cell: it adds zeros and log 1",
    "mixed/likelihood|residual_is_there|unit factor|0.001|1.0|0":
        "counts the directions that a small residual fills alone: none, or one at least",
    "mixed/design|_random_terms|comparison|len(levels) == len(table)|len(levels) >= len(table)|0":
        "rows have no more levels than there are rows",
    "inference/equivalence|compare_cells|index|found.judged[0]|found.judged[-1]|0": "one study: the first is the last",
    "verdict/tables|record_verdict|constant|0|1|0": "a model needs two containers, and one alone counts as 0",
    "design/world|_fewest|arithmetic|guess + 1|guess - 1|0": "where a search by halves begins; its end is the same",
    "design/world|_fewest|index|scatter[0]|scatter[-1]|0": "where a search by halves begins; its end is the same",
    "physics/diffusion|_sinking|comparison|z == 1|z >= 1|0": "heights above 1 are refused before",
    "physics/forecast|_profiles_in|index|same['start_day'].iloc[0]|same['start_day'].iloc[-1]|0":
        "the rows are grouped by this day: all have it",
    "inference/declared|_two|dropped function|np.sqrt(np.abs(np.diag(info)))|np.abs(np.diag(info))|0":
        "asks only whether a matrix can be inverted, by a bound of ten orders of magnitude",
    "inference/tost_power|owens_q|sign|-1.0|1.0|0": "hints for the integration, whose error is bounded",
    "quality/beforehand|_centre|index|own['low'].iloc[0]|own['low'].iloc[-1]|0":
        "an analyte has one line of limits, or is refused",
    "quality/copies|_row|comparison|expected >= np.log(CHANCE)|expected > np.log(CHANCE)|0":
        "a sum of logarithms of chances against a decimal: no readings give just it",
    "quality/maps|_panel|comparison|abs(v) > 4|abs(v) >= 4|0": "the colour of a sign on a square that is 4 exactly",
    "quality/levels|_one_factor|comparison|gain > 0|gain >= 0|0":
        "a gain of 0 has no weight, and lies beyond the distance allowed",
    "vessels/shapes|Shape.height_mm|comparison|target <= below + here|target < below + here|0":
        "the top of one piece is the floor of the next",
    "model/formula|_grouped|index|groups[0]|groups[-1]|0": "one pair of brackets: all its terms have one group",
    "physics/diffusion|_sinking|comparison|theta > low|theta >= low|0": "at a border of two ways of computing both hold",
    "physics/velocity|terminal_reynolds|dropped function|np.abs(step)|step|0":
        "the search comes down from above: no step but the last is negative",
    "design/operating|chances|comparison|np.abs(found.estimate) > least * found.se|"
    "np.abs(found.estimate) >= least * found.se|0":
        "numbers that equal the bound exactly",
    "mixed/batch/chain|rough_start|comparison|a == 0|a >= 0|1":
        "a start of the search; its end is tested and does not depend on it",
    "quality/assess|stated_scatter|level|level|level / 2|0": "asks only which analytes have a level",
    "quality/beforehand|_centre|index|own['high'].iloc[0]|own['high'].iloc[-1]|0":
        "an analyte has one line of limits, or is refused",
    "quality/beforehand|_centre|index|own['value'].iloc[0]|own['value'].iloc[-1]|0":
        "an analyte has one line of limits, or is refused",
    "quality/visits|_lowered|level|level|level / 2|0": "asks only whether there is a level above 0",
    "mixed/balance|one_minimum|index|held[0]|held[-1]|0": "all levels hold the same number of rows by then",
    "design/simulation|_values|arithmetic|cells[..., None] + rng.normal(0, g.s_r, (studies, n, d, k))|"
    "cells[..., None] - rng.normal(0, g.s_r, (studies, n, d, k))|0": "a scatter that is symmetric about 0",
    "model/analyte|AnalyteModel.means|constant|0.95|1.1875|0": "of what was not fitted there is no table at any level",
    "model/diagnostics|scale_figure|index|table['analyte'].iloc[0]|table['analyte'].iloc[-1]|0":
        "residuals of one analyte: the first row's is the last row's",
    "model/diagnostics|name_in|index|table['analyte'].iloc[0]|table['analyte'].iloc[-1]|0":
        "residuals of one analyte: the first row's is the last row's",
    "verdict/alone|opened|comparison|stage.containers['treatment'] == 'stored'|stage.containers['treatment'] >= 'stored'|0":
        "the other words, of controls, stand before it in the alphabet",
    "quality/exchanges|_sharper|comparison|np.abs(sharp.sum(axis=1)) > np.abs(cells.sum(axis=1))|"
    "np.abs(sharp.sum(axis=1)) >= np.abs(cells.sum(axis=1))|0": "equal sums are those of the same cells",
    "quality/massbalance|_together|comparison|mean < 100|mean <= 100|0": "wholes that close to 100 % together are not told",
    "quality/massbalance|_p_together|comparison|g['whole_is'] == OF_THE_LOT|g['whole_is'] >= OF_THE_LOT|0":
        "the other wholes with a number of results come before it in the alphabet",
    "verdict/floors|_bounds|comparison|sign == '>'|sign >= '>'|0": "the other sign, <, comes before it",
    "verdict/pouring|litres_of_ends|comparison|stage.containers['treatment'] == 'stored'|"
    "stage.containers['treatment'] >= 'stored'|0": "the other words, of controls, stand before it in the alphabet",
    "quality/purges|_as_settled|comparison|sc.m.rate_spread <= 0|sc.m.rate_spread < 0|0":
        "without a spread every rate is the fitted one: the same expectation, more than once",
    "verdict/rule|decided|index|known[0]|known[-1]|0": "a pair has one estimate",
    "verdict/cleared|count_words|index|table['not judged'].iloc[0]|table['not judged'].iloc[-1]|0":
        "the analytes that judge no single container are the same in every row",
    "inference/bounded|judge_bounds|swapped arguments|_endless(lo, hi, margin)|_endless(hi, lo, margin)|0":
        "asks whether either has no end",
    "design/operating|homogeneous_chance|comparison|_needed(_made(size, guess, studies, side), size, alpha, side) < margin|"
    "_needed(_made(size, guess, studies, side), size, alpha, side) <= margin|0": "numbers that equal the bound exactly",
    "verdict/tables|blind|index|check_layered(t, scatter, study)[2]|check_layered(t, scatter, study)[1]|0":
        "a flag stands where the study is blind, and only there",
    "mixed/blocks||unit factor|100|1|0": "how blocks are held in memory: the same numbers either way",
    "mixed/fit|best_state|comparison|max((g.cells.shape[1] for g in blocks.groups), default=0) <= SECOND_START|"
    "max((g.cells.shape[1] for g in blocks.groups), default=0) < SECOND_START|0":
        "whether the largest size of all has a second start; both lead to the same minimum",
    "mixed/slopes|_way_out|unit factor|0.001|1.0|0": "the length of a first step from an edge; the search shortens it",
    "mixed/blocks|_one_group|comparison|len(firsts) == 1|len(firsts) >= 1|0": "a single block has a single pattern",
    "intake/determinations|_in_file|index|rule.apply(np.array([1.0]))[0]|rule.apply(np.array([1.0]))[-1]|0":
        "of one number: the first is the last",
    "mixed/balance|chain|constant|1|2|0": "room for one code more than there is",
    "quality/doubtful|doubtful_limits|index|g['middle_of_limits'].iloc[0]|g['middle_of_limits'].iloc[-1]|0":
        "an analyte has one line of limits, or is refused",
    "quality/doubtful|_each_other|other function|g['middle_of_limits'].first()|g['middle_of_limits'].last()|0":
        "an analyte has one line of limits, or is refused",
    "quality/doubtful|_each_other|comparison|table['middle_of_limits'] > 0|table['middle_of_limits'] >= 0|0":
        "no reading fits a line whose middle is 0, and it fits none",
    "quality/doubtful|_stock_too|index|fluid.iloc[0]|fluid.iloc[-1]|0": "runs that read alike lie near one power of ten",
    "quality/doubtful|_stock_too|index|fluid.iloc[0]|fluid.iloc[-1]|1": "runs that read alike lie near one power of ten",
    "quality/exchanges|_leans|comparison|var < 1000000.0|var <= 1000000.0|0": "a variance that equals the bound exactly",
    "quality/portions|_middle|constant|1|2|0": "a factor common to all weights of a mean cancels",
    "quality/portions|_middle|constant|6|7|0": "one round more of a search that has converged",
    "quality/portions|_portion|index|np.flatnonzero(rows == i)[0]|np.flatnonzero(rows == i)[-1]|0":
        "a row stands once among those of its container",
    "quality/portions|_portion|comparison|rows == i|rows >= i|0": "rows stand in order: the first of these is the row itself",
    "quality/portions|_tests|dropped function|sorted(set(sc.f.tests))|set(sc.f.tests)|0":
        "in whichever order tests are tried, the same explanations are found",
    "quality/portions|_tests|comparison|len(names) > 1|len(names) >= 1|0":
        "one test that reads all is no choice among analytes",
    "quality/portions|_dissolved|comparison|np.nanmax(size, initial=0.0) < SHOWN|np.nanmax(size, initial=0.0) <= SHOWN|0":
        "numbers that equal the bound exactly",
    "quality/portions|portions|comparison|saved[i] > 4|saved[i] >= 4|0": "numbers that equal the bound exactly",
    "quality/portions|_portion|comparison|gain > 0.5|gain >= 0.5|0": "numbers that equal the bound exactly",
    "quality/portions|_portion|comparison|abs(k - middle) < 0.4|abs(k - middle) <= 0.4|0":
        "numbers that equal the bound exactly",
    "quality/portions|portions|comparison|np.abs(z - middle[:, None]) < ALIKE * s|np.abs(z - middle[:, None]) <= ALIKE * s|0":
        "numbers that equal the bound exactly",
    "inference/equivalence|Comparison.size|index|self.corners[0]|self.corners[-1]|0": "every corner counts all pairs",
    "inference/equivalence|Comparison.unit|index|self.tests[0]|self.tests[-1]|0": "the contrasts of a comparison have one unit",
    "inference/equivalence|Comparison.p_beyond_of.tail|arithmetic|size + shift|size - shift|0":
        "the tail is added up over a shift to either side",
    "inference/equivalence|Comparison.p_any|constant|1.0|2|1": "what is above 1 is cut to 1 anyway",
    "inference/equivalence|Comparison._bound|comparison|top <= 0|top < 0|0": "of no difference the p-value is 1",
    "inference/equivalence|Comparison._bound|comparison|self.p_beyond_of(contrast, 0.0) >= self.alpha|"
    "self.p_beyond_of(contrast, 0.0) > self.alpha|0": "at equality the bound found is 0 too",
    "inference/equivalence|Comparison._bound|arithmetic|1e-09 * top|1e-09 / top|0": "a tolerance of a search",
    "inference/equivalence|Contrast.shown|comparison|self.scale == 'raw'|self.scale >= 'raw'|0":
        "the other scale, log, comes before it",
    "inference/equivalence|Comparison.deciding|comparison|self.word == 'stratified'|self.word >= 'stratified'|0":
        "the other words come before it in the alphabet",
    "inference/share|share_bound_clear|comparison|beyond == containers|beyond >= containers|0":
        "more than all is refused before",
    "inference/share|_share|constant|40|41|0": "beyond 40 standard deviations there is nothing",
    "inference/share|_share|constant|40|41|1": "beyond 40 standard deviations there is nothing",
    "inference/share|_share|constant|40|41|2": "beyond 40 standard deviations there is nothing",
    "inference/share|_share|constant|40|41|3": "beyond 40 standard deviations there is nothing",
    "inference/share|upper_shares|arithmetic|m[i] - z * np.sqrt(total / n)|m[i] + z * np.sqrt(total / n)|0":
        "a pivot that is symmetric about 0",
    "inference/share|share_beyond|comparison|c == 'within'|c >= 'within'|0": "the other words come before it in the alphabet",
    "inference/share|share_beyond|index|upper[0]|upper[-1]|0": "one study: the first is the last",
    "mixed/batch/fit|BatchDesign._part|sign|-1|1|0": "names of a refusal that came when the design was made, if at all",
    "mixed/batch/chain|rough_start|arithmetic|Z[a - 1] @ Q / sizes[a - 1][:, None]|Z[a - 1] @ Q * sizes[a - 1][:, None]|0":
        "a start of the search; its end is tested and does not depend on it",
    "inference/single|judge_between|comparison|least <= 0 <= most|least < 0 <= most|0":
        "an end at 0 is the nearest to 0 as well",
    "inference/bounded|_branch|other function|max(best, problem.climb(x))|min(best, problem.climb(x))|0":
        "what is found before anything is taken apart; the parts find it again",
    "inference/bounded|_beyond|comparison|largest(f, c, _floor(f, step), -sign, enough=-edge).bound < -edge|"
    "largest(f, c, _floor(f, step), -sign, enough=-edge).bound <= -edge|0": "numbers that equal the bound exactly",
    "inference/declared|_two|constant|1|2|8": "a factor of all rows and columns leaves the condition of a matrix",
    "inference/declared|_ratio|constant|1|2|0": "a wider bracket of a search; its end is the same",
    "inference/declared|_ratio|constant|1|2|1": "a wider bracket of a search; its end is the same",
    "inference/declared|departure_p|constant|1|2|0": "two equal columns say what one says",
    "mixed/balance|one_minimum|arithmetic|(levels @ Q)[code] / held[0]|(levels @ Q)[code] * held[0]|0":
        "a factor common to a difference that is rounding or many orders above the bound",
    "mixed/batch/newton|newton_step|index|gamma.shape[1]|gamma.shape[0]|0":
        "how often one step of a search is bounded anew; its end does not depend on it",
    "mixed/batch/strata|_shares|dropped function|np.abs(part - Q @ C)|part - Q @ C|0":
        "an intercept is among the fixed columns: what is left adds up to 0, so has both signs",
    "inference/declared|_within|constant|1|2|1": "any negative size is the one that numpy works out",
    "inference/bounded|_beyond|arithmetic|sign * f.weights|sign / f.weights|0":
        "an early way out, which the bound behind it decides alike",
    "inference/bounded|_beyond|arithmetic|sign * f.weights|sign / f.weights|1":
        "an early way out, which the bound behind it decides alike",
    "verdict/below|all_below|comparison|0 < highest < margin.edge|0 <= highest < margin.edge|0": "limits are above 0",
    "inference/bounded|largest|axis|np.abs(pair.form).sum(axis=0)|np.abs(pair.form).sum(axis=1)|0":
        "the matrix is symmetric: rows are columns",
    "inference/own|near_differences|constant|0|1|0": "a side is -1 or 1",
    "inference/tost_power|_nodes|constant|96|97|0": "a node more of a rule that has converged",
    "inference/share|_pivots|arithmetic|1 - 1e-09|1 + 1e-09|0": "no point of the set lies so near 1",
    "physics/forecast|_days_to_margin|dropped function|sorted({0, len(starts) // 3, 2 * len(starts) // 3, len(starts) - 1})|"
    "{0, len(starts) // 3, 2 * len(starts) // 3, len(starts) - 1}|0":
        "the fewest and the most of them do not hang on their order",
    "vessels/packages|_litres_in|index|found[0]|found[-1]|0": "a text with several numbers is refused before this is used",
    "vessels/packages|_litres_in|index|found[0]|found[-1]|1": "a text with several numbers is refused before this is used",
    "vessels/packages|_litres_in|index|found[0]|found[-1]|2": "a text with several numbers is refused before this is used",
    "vessels/packages|_litres_in|index|found[0]|found[-1]|3": "a text with several numbers is refused before this is used",
    "core/numbertext|_evidence|index|signs[0]|signs[-1]|2": "all signs are one and the same by then",
    "design/simulation|_lost|comparison|rng.random((size.samples, min(PATTERNS, studies))) < missing|"
    "rng.random((size.samples, min(PATTERNS, studies))) <= missing|0": "a draw that equals the share exactly",
    "design/world|_fewest|comparison|low <= at < high|low < at < high|0":
        "where a search by halves begins; its end is the same",
    "design/world|_fewest|comparison|low <= at < high|low > at < high|0":
        "where a search by halves begins; its end is the same",
    "design/world|_judged|index|cells[0]|cells[-1]|0": "of one container: the first is the last",
    "physics/bounds|_shares|comparison|alone < 1 - ALL|alone <= 1 - ALL|0": "spares programs whose answer is all of it",
    "physics/bounds|_shares|arithmetic|1 - ALL|1 + ALL|0": "spares programs whose answer is all of it",
    "physics/bounds|_shares|constant|1|2|0": "spares programs whose answer is all of it",
    "mixed/likelihood|_cut_short|comparison|step < 0|step <= 0|0": "a step that is exactly 0 changes nothing, taken or not",
    "mixed/batch/newton|_solved|comparison|values.min(axis=1, keepdims=True) < 1e-06|"
    "values.min(axis=1, keepdims=True) <= 1e-06|0": "numbers that equal the bound exactly",
    "mixed/batch/strata|nested_order|arithmetic|terms[fine].codes * len(terms[coarse].levels) + terms[coarse].codes|"
    "terms[fine].codes * len(terms[coarse].levels) - terms[coarse].codes|0":
        "a number for each pair of levels: any two pairs differ either way",
    "mixed/batch/newton|newton_step|arithmetic|np.where(both, point.hessian, 0.0) + "
    "np.einsum('rk,kl->rkl', fixed.astype(float), np.eye(gamma.shape[1]))|np.where(both, point.hessian, 0.0) - "
    "np.einsum('rk,kl->rkl', fixed.astype(float), np.eye(gamma.shape[1]))|0":
        "what stands there for components that do not move is not used but for its not being 0",
    "mixed/batch/newton|solve|arithmetic|last & better | (small < 1e-13)|last & better & (small < 1e-13)|0":
        "when to stop: the steps that follow are below the tolerance",
    "mixed/batch/newton|solve|comparison|small < STEP|small <= STEP|0": "numbers that equal the bound exactly",
    "mixed/batch/chain|_shrinking|swapped arguments|bilinear(g, s, lambda a, b: a * b)|bilinear(s, g, lambda a, b: a * b)|0":
        "a product of numbers, in either order",
    "mixed/batch/chain|_above|swapped arguments|bilinear(gamma, outer, lambda a, b: -a * b)|"
    "bilinear(outer, gamma, lambda a, b: -a * b)|0": "a product of numbers, in either order",
    "mixed/batch/chain|_above|swapped arguments|bilinear(s, h, lambda a, b: a * b)|bilinear(h, s, lambda a, b: a * b)|0":
        "a product of numbers, in either order",
    "mixed/batch/chain|forms|swapped arguments|bilinear(s, h1, lambda a, b: a * b)|bilinear(h1, s, lambda a, b: a * b)|0":
        "a product of numbers, in either order",
    "mixed/batch/chain|_above|swapped arguments|bilinear(u, shrunk, lambda a, b: np.einsum('nar,nbr->abr', a, b))|"
    "bilinear(shrunk, u, lambda a, b: np.einsum('nar,nbr->abr', a, b))|0":
        "one is a multiple of the other: the sums are symmetric",
    "mixed/batch/fit|BatchDesign.contrast|index|df[0]|df[-1]|0": "of one contrast: the first is the last",
    "mixed/batch/fit|BatchDesign._nested|comparison|np.einsum('nr,nr->r', rest, rest) < 1e-20 * self.n|"
    "np.einsum('nr,nr->r', rest, rest) <= 1e-20 * self.n|0": "numbers that equal the bound exactly",
    "mixed/denominator|_inverse_positive|constant|1.0|2|0": "the scale of a row of zeros",
    "mixed/denominator|p_value|comparison|0 < statistic < math.inf|0 >= statistic < math.inf|0":
        "a short cut to the same number",
    "mixed/denominator|p_value|comparison|0 < statistic < math.inf|0 <= statistic < math.inf|0":
        "a short cut to the same number",
    "model/fit|fit_rows|comparison|why[0] == 'not assessed'|why[0] >= 'not assessed'|0":
        "the other path, known precision, comes before it in the alphabet",
    "physics/velocity|_check_direction|comparison|direction == 'sinks'|direction >= 'sinks'|0":
        "the other words come before it in the alphabet",
    "design/blocks|_alike|constant|1|2|0": "powers of two from another one on: still one number for each pattern",
    "design/operating|zones_of|constant|1|2|0": "weights of a mean: a factor common to all cancels",
    "design/operating|zones_of|constant|1.0|2|0": "of this margin its scale counts, not its size",
    "design/operating|zones_of|constant|1.0|2|1": "of this margin its scale counts, not its size",
    "design/operating|resolvable_margin|arithmetic|1e-09 * s|1e-09 / s|0": "where a search begins; its end is the same",
    "mixed/likelihood|_step|comparison|np.linalg.eigvalsh(H / np.outer(scale, scale))[0] < 1e-06|"
    "np.linalg.eigvalsh(H / np.outer(scale, scale))[0] <= 1e-06|0": "numbers that equal the bound exactly",
    "model/rows|shares_of|arithmetic|1 / len(depths)|1 * len(depths)|0": "weights of a mean: a factor common to all cancels",
    "physics/velocity|_corrections|comparison|re > DRAG_LIMIT_RE|re >= DRAG_LIMIT_RE|0": "numbers that equal the bound exactly",
    "mixed/likelihood|_shortened|comparison|_slope(new, held) < 0.5 * _slope(now, held)|"
    "_slope(new, held) <= 0.5 * _slope(now, held)|0": "numbers that equal the bound exactly",
    "mixed/blocks|_groups|other function|t.max()|t.min()|0": "in which order labels are compared: the same blocks are alike",
    "design/scenario|_wrong|comparison|key == 'difference'|key >= 'difference'|0":
        "the keys after it in the alphabet are never below 0, as their ranges say",
    "design/simulation|_judge|comparison|words == 2|words >= 2|0": "2 is the largest code of a word",
    "design/simulation|_judge|comparison|careful == 2|careful >= 2|0": "2 is the largest code of a word",
    "model/tables|fits|comparison|g == g|g >= g|0": "asks only whether it is a number",
    "model/tables|fits|comparison|g == g|g >= g|1": "asks only whether it is a number",
    "design/world||constant|512|513|0": "how many studies a move counts at least: chosen, no source",
    "mixed/woodbury|absorb|index|m.S.shape[0]|m.S.shape[-1]|0": "the matrix is square: either size",
    "mixed/likelihood|state_at|index|m.S.shape[0]|m.S.shape[-1]|0": "the matrix is square: either size",
    "mixed/slopes|Roots.roots|comparison|values > NOTHING * total|values >= NOTHING * total|0":
        "numbers that equal the bound exactly",
    "mixed/slopes|_way_out|comparison|values[0] * total < -0.0001|values[0] * total <= -0.0001|0":
        "numbers that equal the bound exactly",
    "mixed/slopes|_rest|arithmetic|1e-09 * values[-1]|1e-09 / values[-1]|0":
        "below which curvature a polishing step has no direction: the search has ended before",
    "mixed/design|_orthonormal|constant|1.0|2|0": "the scale of a column of zeros",
    "mixed/design|_orthonormal|constant|0|1|1": "the first column of Q is one number throughout",
    "mixed/design|_told_apart|arithmetic|other.codes * len(term.levels) + term.codes|"
    "other.codes * len(term.levels) - term.codes|0": "a number for each pair of levels: any two pairs differ either way",
    "mixed/balance|one_minimum|dropped function|np.abs(summed - Q @ (Q.T @ summed))|summed - Q @ (Q.T @ summed)|0":
        "an intercept is among the fixed columns: what is left adds up to 0, so has both signs",
    "physics/diffusion|_series|arithmetic|TERMS + 1|TERMS - 1|0": "two terms less of a series that has converged",
    "physics/diffusion|_series|constant|1|2|1": "a term more of a series that has converged",
    "design/world||constant|2048|2049|0": "how many studies a move counts at most: chosen, no source",
    "design/world||constant|12288|12289|0": "how many differences a move counts: chosen, no source",
    "model/diagnostics||constant|300|301|0": "from how many containers on fewer are tried: chosen, no source",
    "model/diagnostics||constant|20|21|0": "how many are refitted: chosen, no source",
    "mixed/design|_orthonormal|comparison|d < RANK_TOLERANCE|d <= RANK_TOLERANCE|0": "numbers that equal the bound exactly",
    "mixed/design|_slope|index|_coded(table, column)[1][0]|_coded(table, column)[1][-1]|0":
        "a column of numbers is one column",
    "mixed/fit|best_state|index|g.cells.shape[1]|g.cells.shape[0]|0":
        "which sizes have a second start; both lead to the same minimum",
    "mixed/fit|RemlFit.profile_upper|other function|np.log(max(self._state.theta[i], 0.01 * self._state.theta.sum()))|"
    "np.log10(max(self._state.theta[i], 0.01 * self._state.theta.sum()))|0":
        "where a search begins that goes on until it has passed its aim",
    "mixed/fit|_assembled|constant|0|1|0": "a slope that is 0 but for rounding, on whichever scale",
    "mixed/blocks|_one_group|index|Z[0]|Z[-1]|0": "one pattern by then: the first is the last",
    "mixed/blocks||constant|5000|5001|0": "how many linked cells are handled at most: chosen, no source",
    "mixed/batch/newton|newton_step|comparison|point.gradient < 0|point.gradient <= 0|0":
        "numbers that equal the bound exactly",
    "mixed/fit|_has_scatter|comparison|blocks.within[-1, -1] < EXACT * len(z)|blocks.within[-1, -1] <= EXACT * len(z)|0":
        "numbers that equal the bound exactly",
    "model/diagnostics|_tried|constant|0.0|1|0": "no difference of that pair is known: there is no distance from any middle",
    "model/diagnostics|_by_subtraction|arithmetic|np.sqrt(found.unit_variance) * step[:, None] * COARSE * SURELY|"
    "np.sqrt(found.unit_variance) * step[:, None] * COARSE / SURELY|0": "a millionth, against rounding",
    "model/diagnostics|_by_subtraction|dropped function|np.abs(known(cells))|known(cells)|0":
        "a floor against rounding, nine orders below the values",
    "mixed/denominator|p_value|constant|0|1|0": "a short cut to the same number",
}

AT_A_BOUND: dict[str, tuple[str, ...]] = {
    "a gain in nats, a sum of logarithms of many readings, against a decimal or another such sum: no readings give just it": (
        "quality/copies|_telling|comparison|expected < np.log(CHANCE) + 1e-06|expected <= np.log(CHANCE) + 1e-06|0",
        "quality/disorder|_exchanged|comparison|saved[a] > EACH|saved[a] >= EACH|0",
        "quality/disorder|_exchanged|comparison|n > net - CLEARER|n >= net - CLEARER|0",
        "quality/disorder|_exchanged|comparison|max(without) > net + looked - EACH|max(without) >= net + looked - EACH|0",
        "quality/disorder|_exchanged|comparison|net < LEAST|net <= LEAST|0",
        "quality/disorder|_exchanged|comparison|net - by_factor < CLEARER|net - by_factor <= CLEARER|0",
        "quality/disorder|_across|comparison|r[0].sum() > saved.sum() - CLEARER|r[0].sum() >= saved.sum() - CLEARER|0",
        "quality/disorder|_across|comparison|saved > EACH|saved >= EACH|0",
        "quality/disorder|_across|comparison|net < LEAST|net <= LEAST|0",
        "quality/disorder|_across|comparison|net - factors < CLEARER|net - factors <= CLEARER|0",
        "quality/disorder|_between|comparison|min(each) > CLEARER|min(each) >= CLEARER|0",
        "quality/exchanges|columns|comparison|min(by_run.values()) > TOLD|min(by_run.values()) >= TOLD|0",
        "quality/exchanges|_of_runs|comparison|own[best[0]] < 3|own[best[0]] <= 3|0",
        "quality/exchanges|_of_runs|comparison|abs(leans[best[0]] - leans[best[1]]) < TOLD|abs(leans[best[0]] - leans[bes"
        "t[1]]) <= TOLD|0",
        "quality/exchanges|shifted_rows|comparison|gain <= 3|gain < 3|0",
        "quality/explain|own_settling|comparison|saved > 0.5|saved >= 0.5|0",
        "quality/explain|_heel|comparison|gain > 0.8|gain >= 0.8|0",
        "quality/explain|worst_boxes|comparison|total[b] > 4|total[b] >= 4|0",
        "quality/heels|_mixed|comparison|gain > 0.5|gain >= 0.5|0",
        "quality/levels|containers|comparison|size[c] > 3|size[c] >= 3|0",
        "quality/levels|_one_container|comparison|gain > FREE|gain >= FREE|0",
        "quality/levels|_by_factor|comparison|rho(z) * sc.m.share_u > FREE|rho(z) * sc.m.share_u >= FREE|0",
        "quality/memory|fluid_share|comparison|gain > 1|gain >= 1|0",
        "quality/memory|fluid_share|comparison|gain < -3|gain <= -3|0",
        "quality/memory|fluid_share|comparison|best[2] > ENOUGH|best[2] >= ENOUGH|0",
        "quality/memory|fluid_share|comparison|best[2] > _by_one_factor(sc, after)|best[2] >= _by_one_factor(sc, after)|0",
        "quality/memory|told|comparison|gain > ENOUGH|gain >= ENOUGH|0",
        "quality/memory|told|comparison|gain > ENOUGH|gain >= ENOUGH|1",
        "quality/memory|told|comparison|_fluid_gain(sc, after, before, np.array([middle]), adds)[0] < -3|_fluid_gain(sc, "
        "after, before, np.array([middle]), adds)[0] <= -3|0",
        "quality/mistaken|mistaken|comparison|off[i] < EACH|off[i] <= EACH|0",
        "quality/mistaken|mistaken|comparison|min(gains) > EACH|min(gains) >= EACH|0",
        "quality/portions|_low|comparison|gain.sum() > FREE + 1.0 + CLEAR|gain.sum() >= FREE + 1.0 + CLEAR|0",
        "quality/portions|_low|comparison|gain > 0.5|gain >= 0.5|0",
        "quality/runs|common_drift|comparison|saved > 3|saved >= 3|0",
        "quality/runs|drifts|comparison|r['gain'] > 3|r['gain'] >= 3|0",
        "quality/runs|drift_of_several|comparison|first.net < ENOUGH|first.net <= ENOUGH|0",
        "quality/runs|drift_of_several|comparison|c.net > ENOUGH|c.net >= ENOUGH|0",
        "quality/runs|_with_level|comparison|c.gain > PATTERN|c.gain >= PATTERN|0",
        "quality/runs|_of_run|comparison|float(_refitted(sc, rows, y)[columns].sum()) < SUPPORT|float(_refitted(sc, rows,"
        " y)[columns].sum()) <= SUPPORT|0",
        "quality/runs|_of_run|comparison|gain > UNREAD|gain >= UNREAD|0",
        "quality/runs|_of_run|comparison|gain.sum() < PATTERN|gain.sum() <= PATTERN|0",
        "quality/runs|_of_run|comparison|saved > 3|saved >= 3|0",
        "quality/side_by_side|best_shares|comparison|gain.sum(axis=1) >= FREE|gain.sum(axis=1) > FREE|0",
        "quality/runs|_single|comparison|misfit[k] < 4|misfit[k] <= 4|0",
        "quality/shifts|shifts|comparison|gain > 2|gain >= 2|0",
        "quality/shifts|_by_offset|comparison|gain <= 2|gain < 2|0",
        "quality/shifts|_by_one_amount|comparison|saved(g, amount) > 0.5|saved(g, amount) >= 0.5|0",
        "quality/shifts|_by_one_amount|comparison|best[0] < 2|best[0] <= 2|0",
        "quality/shifts|_of_two|comparison|abs(lean - other[0]) < TOLD|abs(lean - other[0]) <= TOLD|0",
        "quality/suspects|search|comparison|c.net > ENOUGH|c.net >= ENOUGH|0",
        "quality/suspects|search|comparison|best.net < ENOUGH|best.net <= ENOUGH|0",
        "quality/suspects|_each_settled|comparison|sum((own[b] for b in boxes)) > c.net|sum((own[b] for b in boxes)) >= c"
        ".net|0",
        "quality/suspects|_weak|comparison|c.net > SOME|c.net >= SOME|0",
        "quality/suspects|_rivals|comparison|best.net - c.net < CLOSE + 0.25 * best.net|best.net - c.net <= CLOSE + 0.25 "
        "* best.net|0",
        "quality/suspects|concern_of|comparison|c.net - r[2] >= ENOUGH|c.net - r[2] > ENOUGH|0",
        "quality/suspects|concern_of|comparison|c.net < decided|c.net <= decided|0",
        "quality/swaps|swaps|comparison|cost[i] > 3|cost[i] >= 3|0",
        "quality/together|one_way|comparison|sum((monotone_loss(sc, rows, height, a) for a in _rests_on(c))) < c.gain / 2"
        "|sum((monotone_loss(sc, rows, height, a) for a in _rests_on(c))) <= c.gain / 2|0",
        "quality/unseen|_net|comparison|best.net >= ENOUGH|best.net > ENOUGH|0",
        "quality/unseen|_container|comparison|best.net >= ENOUGH|best.net > ENOUGH|0",
    ),
    "a p-value or an end of an interval, by a distribution function, against a decimal: no readings give just it": (
        "quality/again|second_measurings|comparison|table['p_holm'] < CHANCE|table['p_holm'] <= CHANCE|0",
        "quality/assess|judging_scatter|comparison|zone.p_smaller() < CHANCE|zone.p_smaller() <= CHANCE|0",
        "quality/ceiling|saturated_curve|comparison|table['p'] * len(table) < CHANCE|table['p'] * len(table) <= CHANCE|0",
        "quality/controls|check_remixed|comparison|r['p_holm'] < CHANCE|r['p_holm'] <= CHANCE|0",
        "quality/controls|check_remixed|comparison|r['high'] < r['margin']|r['high'] <= r['margin']|0",
        "quality/controls|check_layered|comparison|r['p_holm'] < study.alpha|r['p_holm'] <= study.alpha|0",
        "quality/controls|check_layered|comparison|r['low'] > r['margin']|r['low'] >= r['margin']|0",
        "quality/controls|check_layered|comparison|r['p_holm'] < study.alpha|r['p_holm'] <= study.alpha|1",
        "quality/massbalance|_balance_flags|comparison|judged['p_more'] * max(1, len(judged)) < CHANCE|judged['p_more'] *"
        " max(1, len(judged)) <= CHANCE|0",
        "quality/massbalance|_balance_flags|comparison|_p_together(g) * len(groups) < CHANCE|_p_together(g) * len(groups)"
        " <= CHANCE|0",
        "quality/plausibility|digit_preference|comparison|table['p'] * len(table) < CHANCE|table['p'] * len(table) <= CHA"
        "NCE|0",
        "quality/replicates|check_duplicates|comparison|known['p'] * max(1, len(known)) < CHANCE|known['p'] * max(1, len("
        "known)) <= CHANCE|0",
        "quality/replicates|check_repeatability|comparison|low > published|low >= published|0",
        "quality/replicates|check_repeatability|comparison|low > published|low >= published|1",
        "quality/replicates|check_repeatability|comparison|high < published|high <= published|0",
        "quality/replicates|check_repeatability|comparison|larger < CHANCE|larger <= CHANCE|0",
        "quality/replicates|check_repeatability|comparison|smaller < CHANCE|smaller <= CHANCE|0",
        "quality/replicates|_too_good|comparison|chance < CHANCE / 2|chance <= CHANCE / 2|0",
    ),
    "a departure over a scatter that is estimated from many readings: no readings give just the bound": (
        "quality/disorder|_across|comparison|np.abs(one.y[i] - other.y[j]) > PLAINLY * one.s|np.abs(one.y[i] - other.y[j]"
        ") >= PLAINLY * one.s|0",
        "quality/explain|cells|comparison|z[i, a] < 4.5|z[i, a] <= 4.5|0",
        "quality/explain|_cell|comparison|abs(sc.m.z[i, a]) > 8|abs(sc.m.z[i, a]) >= 8|0",
        "quality/explain|_cell|comparison|abs(reading - expected) < sc.m.s[i, a]|abs(reading - expected) <= sc.m.s[i, a]|"
        "0",
        "quality/explain|moved|comparison|np.abs(off) > ALIKE|np.abs(off) >= ALIKE|0",
        "quality/floor|thinned_floor|comparison|-np.log(each['share']) > BEYOND * s|-np.log(each['share']) >= BEYOND * s|"
        "0",
        "quality/fluids|by_one_factor|comparison|(off['off'] - middle).abs() < WITHIN * off['s']|(off['off'] - middle).ab"
        "s() <= WITHIN * off['s']|0",
        "quality/fluids|by_one_factor|comparison|off['off'].abs() > WITHIN * off['s']|off['off'].abs() >= WITHIN * off['s"
        "']|0",
        "quality/frame|_rates|comparison|np.median(know[box]) < 4.0|np.median(know[box]) <= 4.0|0",
        "quality/heels|_thinned|comparison|sign * far > BEYOND * s / per|sign * far >= BEYOND * s / per|0",
        "quality/levels|_whole|comparison|np.abs(sc.m.e[rows]) > ALIKE * sc.m.s[rows]|np.abs(sc.m.e[rows]) >= ALIKE * sc."
        "m.s[rows]|0",
        "quality/levels|_one_amount|comparison|np.mean(((u - delta) / s) ** 2) <= SCATTERED|np.mean(((u - delta) / s) ** "
        "2) < SCATTERED|0",
        "quality/levels|_one_amount|comparison|np.abs(u - delta) < ALIKE * s|np.abs(u - delta) <= ALIKE * s|0",
        "quality/levels|_one_factor|comparison|np.abs(u - delta) < ALIKE * s|np.abs(u - delta) <= ALIKE * s|0",
        "quality/levels|_by_factor|comparison|float(np.mean(((u - delta) / s)[alike] ** 2)) > SCATTERED|float(np.mean(((u"
        " - delta) / s)[alike] ** 2)) >= SCATTERED|0",
        "quality/maps|_clean|comparison|np.abs(z) < LEAST|np.abs(z) <= LEAST|0",
        "quality/maps|_panel|comparison|v > FAR|v >= FAR|0",
        "quality/maps|_panel|comparison|v < -FAR|v <= -FAR|0",
        "quality/maps|pairs|comparison|far[k] > FAR|far[k] >= FAR|0",
        "quality/portions|_low|comparison|float(np.mean(((gap - delta) / s)[live] ** 2)) > SCATTERED|float(np.mean(((gap "
        "- delta) / s)[live] ** 2)) >= SCATTERED|0",
        "quality/replicates|_too_good|comparison|ratio < TOO_GOOD|ratio <= TOO_GOOD|0",
        "quality/runs|drifts|comparison|abs(r['slope']) > 3 * r['se']|abs(r['slope']) >= 3 * r['se']|0",
        "quality/runs|after_rich|comparison|excess / per > RICH * sc.m.s[after]|excess / per >= RICH * sc.m.s[after]|0",
        "quality/runs|after_rich|comparison|sc.m.z[after] > 4|sc.m.z[after] >= 4|0",
        "quality/runs|_single|comparison|np.nan_to_num(np.abs(y - sc.y[i]) / sc.m.s[i]) > 2|np.nan_to_num(np.abs(y - sc.y"
        "[i]) / sc.m.s[i]) >= 2|0",
        "quality/swaps|_flattest|comparison|sc.m.rate_spread < 0.05|sc.m.rate_spread <= 0.05|0",
        "quality/together|_in_layers|comparison|apart > LAYERED * max(float(np.nan_to_num(sc.f.stated[a])), float(sc.m.s["
        "own, a].min()))|apart >= LAYERED * max(float(np.nan_to_num(sc.f.stated[a])), float(sc.m.s[own, a].min()))|0",
    ),
    "a difference of logarithms of readings against a decimal: no ratio of readings gives just it": (
        "quality/explain|_cell|comparison|abs(moved - expected) < max(6 * sc.m.s[i, a], 0.05)|abs(moved - expected) <= ma"
        "x(6 * sc.m.s[i, a], 0.05)|0",
        "quality/memory|consensus|comparison|np.abs(x - c) < ALIKE|np.abs(x - c) <= ALIKE|0",
        "quality/portions|_portion|comparison|abs(k - middle) > ONE_BOTTLE|abs(k - middle) >= ONE_BOTTLE|0",
        "quality/slips|_power|comparison|np.abs(decades - power) < NEAR|np.abs(decades - power) <= NEAR|0",
    ),
    "the bound lies a rounding beyond what readings that meet it to the digit give": (
        "quality/heels|_thinned|comparison|sign * far > ROUNDING - np.log(THIN)|sign * far >= ROUNDING - np.log(THIN)|0",
        "quality/memory|blank_share|comparison|LEAST - ROUNDING <= share < MOST|LEAST - ROUNDING < share < MOST|0",
        "quality/replicates|_judged_pairs|comparison|out['ratio'] > 1 + ROUNDING|out['ratio'] >= 1 + ROUNDING|0",
    ),
    "a number drawn between 0 and 1 that is a half exactly": (
        "quality/unseen|_signs|comparison|rng.random(n) < 0.5|rng.random(n) <= 0.5|0",
    ),
}
"""What no study's readings can meet, of quality: comparisons of what was worked out from many of them, by why they cannot.

Where readings can meet a bound, as rounded results, counts and ratios of two of them do, it has a test at the bound instead.
"""
EQUIVALENT |= {name: why for why, names in AT_A_BOUND.items() for name in names}
_OF_SHIFTS: dict[str, tuple[str, ...]] = {
    "what is not known has no weight, whatever stands in its place": (
        "robust_mean|constant|0.0|1|0",
        "robust_mean|constant|1.0|2|0",
        "costs|constant|0.0|1|1",
        "costs|constant|1.0|2|0",
        "_by_offset|constant|1.0|2|0",
    ),
    "a factor common to all weights of a mean cancels": (
        "robust_mean|arithmetic|NU + 1|NU - 1|0",
        "robust_mean|constant|1|2|0",
        "_gaps_of_many|arithmetic|NU + 1|NU - 1|0",
    ),
    "asks only which levels are known": (
        "_gap_of_containers|level|sc.m.level|sc.m.level / 2|0",
        "_gaps_of_many|level|sc.m.level|sc.m.level / 2|0",
    ),
    "a place in a projector is 1 or plainly less, but for rounding": (
        "_gap_of_containers|comparison|abs((cross @ (x[ok].T @ x[ok]))[-1, -1] - 1) < 1e-06|abs((cross @"
        " (x[ok].T @ x[ok]))[-1, -1] - 1) <= 1e-06|0",
    ),
    "a container of the stock whose run is known has its place among the runs, and no other has one": (
        "_gaps_of_many|arithmetic|known & (home >= 0)|known | (home >= 0)|0",
    ),
    "one round more of a search that has converged": (
        "_gaps_of_many|constant|12|13|0",
    ),
    "a column of zeros says nothing in a regression by the shortest coefficients": (
        "_lots_of_two|constant|0|1|0",
        "_lots_of_two|constant|0|1|1",
    ),
    "columns that span the same leave a run's own coefficient as it is, in any order and with one of them to spare": (
        "_lots_of_two|dropped function|sorted(counts[counts == 2].index)|counts[counts == 2].index|0",
        "_lots_of_two|comparison|counts != 2|counts == 2|0",
        "_lots_of_two|constant|2|3|1",
    ),
    "what is not known has a standard error of 1e9, and no other comes near a million": (
        "_gaps|comparison|t[f'{by}_se'] < 1000000.0|t[f'{by}_se'] <= 1000000.0|0",
    ),
    "numbers that equal the bound exactly": (
        "Gap.offset|comparison|b > -0.98 * min(stock, fluid)|b >= -0.98 * min(stock, fluid)|0",
        "_by_offset|comparison|left > 0|left >= 0|0",
        "_by_offset|comparison|left > 0|left >= 0|1",
    ),
    "it is held against its like alone, and what lies above 0 is not taken off": (
        "shifts|constant|0.0|1|0",
    ),
    "where one of them is not known, and of an absolute analyte, no amount can be told either": (
        "_by_offset|and / or|g.both and sc.f.relative[g.column]|g.both or sc.f.relative[g.column]|0",
    ),
    "both lie below what is asked": (
        "_by_offset|constant|0.0|1|0",
    ),
    "sums of logarithms that are equal to the last bit come from one set of analytes": (
        "_by_one_amount|comparison|net > best[0]|net >= best[0]|0",
    ),
    "those that are equal were told as either one just before": (
        "_of_two|comparison|lean > other[0]|lean >= other[0]|0",
    ),
}
EQUIVALENT |= {f"quality/shifts|{name}": why for why, names in _OF_SHIFTS.items() for name in names}
OF_ONE_BOTTLE = "an explanation of one bottle has one row, and a thinned floor's part the lowest rows of one container"
EQUIVALENT |= {
    "physics/bounds|_constraints|comparison|np.abs(pull) > SHOWS|np.abs(pull) >= SHOWS|0":
        "a departure worked out from a column in time against 1e-9: equal to it in no computed profile",
    "physics/bounds|_largest|constant|1|2|0":
        "the last row bounds the sum of all shares by 1, and so each of them, none being below 0",
    "physics/column|_classes|comparison|small > 1e-06|small >= 1e-06|0":
        "a spread worked out from integrated clocks, equal to the bound in none; at it the correction is 1e-6 of a share",
    "physics/diffusion|_reflections|arithmetic|-2 * b * n + 0 * z|-2 * b * n - 0 * z|0":
        "nothing times heights is added for its shape alone: added or taken away it is nothing",
    "physics/viscosity|ViscosityLine.through|arithmetic|(first_mm2_s - second_mm2_s) * (second_c - first_c)|(first_mm2_s "
    "- second_mm2_s) / (second_c - first_c)|0":
        "asks for the sign alone, which a quotient by a temperature difference of a degree or more has too",
    "quality/levels|_one_amount|constant|1|2|0":
        "a factor common to all weights of a mean cancels",
    "quality/levels|_one_factor|constant|1|2|0":
        "a factor common to all weights of a mean cancels",
    "quality/levels|_one_factor|constant|0.0|1|1":
        "what is not known adds the same to every try, and is near none of them",
    "quality/levels|_one_factor|comparison|gain > 0|gain >= 0|1":
        "adds zeros to a sum",
    "quality/levels|_by_factor|arithmetic|u * delta|u / delta|0":
        "asks for the sign alone; a factor of 1 saved nothing and was left above",
    "quality/levels|_by_factor|comparison|u * delta < 0|u * delta <= 0|0":
        "what pays for an amount of its own is not 0; a factor of 1 saved nothing and was left above",
    "quality/levels|_whole|comparison|np.sign(u) * (sc.m.e[rows] + u) < UNTOUCHED * np.abs(u)|np.sign(u) * (sc.m.e[rows] "
    "+ u) <= UNTOUCHED * np.abs(u)|0":
        "two fitted logarithms; where a level is not known, which both sides make 0, the analyte pays nothing anyway",
    "quality/levels|containers|comparison|np.abs(sc.m.kinds[one] - sc.m.kinds[other]) > sc.m.su|np.abs(sc.m.kinds[one] - "
    "sc.m.kinds[other]) >= sc.m.su|0":
        "a difference of fitted levels against a scatter that was estimated: equal in no study, unless both are 0, which "
        "it never is",
    "quality/profiles|too_much|other function|low[live, a].min()|low[live, a].max()|1":
        "of a least that is not above 0 the most is not below so many times it, which is asked two steps later",
    "quality/shifts|_gap_of_containers|comparison|0 < box[ok].sum() < ok.sum()|0 <= box[ok].sum() < ok.sum()|0":
        "a run without containers is a column of zeros, whose place in the projector is 0 and not 1: nothing is told",
    "quality/shifts|_gaps_of_many|constant|1|2|0":
        "a factor common to all weights of a mean cancels",
    "quality/controls|_sentences|comparison|own['as_hoped'] == 'yes'|own['as_hoped'] >= 'yes'|0":
        "the other words come before it in the alphabet",
    "quality/together|_of_the_floor|index|c.rows[0]|c.rows[-1]|0":
        "a heel in the zone is made of one row in both places that make it",
    "verdict/stated|_bounds|index|result.hull[0]|result.hull[-1]|0": "all pairs have one level",
    "verdict/stated|arithmetic_table|level|level|level / 2|0": "asked for its sign alone, which halving keeps",
    "verdict/tables|judge_all|comparison|v.word == 'homogeneous'|v.word >= 'homogeneous'|0":
        "whether the control is looked at at all: only a homogeneous word is then taken back",
    "verdict/tables|record_verdict|comparison|v.word == 'stratified'|v.word >= 'stratified'|0":
        "of the words of an analyte it is the last in the alphabet",
    "inference/departures|Departures.towards|comparison|self.side > 0|self.side >= 0|0": "a side is -1 or 1",
    "inference/departures|lift_of|comparison|margin.side < 0|margin.side <= 0|0": "asked of margins on one side only: -1 or 1",
    "inference/departures|lift_of|constant|0|1|0": "asked of margins on one side only: -1 or 1",
    "inference/departures|lift_of|constant|1|2|1": "of one container, or none, the lift is 0 whatever its mean",
    "inference/departures|lift_of|comparison|n[..., 0] > 1|n[..., 0] >= 1|0": "one container lies at its own mean: 0 anyway",
    "inference/departures|departures_between|swapped arguments|_rest(other, w)|_rest(w, other)|0": "both are multiplied anyway",
    "inference/departures|departures_between|arithmetic|np.isnan(low).any(axis=-1, keepdims=True) | "
    "np.isnan(high).any(axis=-1, keepdims=True)|"
    "np.isnan(low).any(axis=-1, keepdims=True) & np.isnan(high).any(axis=-1, keepdims=True)|0":
        "a lost cell is lost at both ends",
    "inference/departures|departures_between|other function|np.isnan(low).any(axis=-1, keepdims=True)|"
    "np.isnan(low).all(axis=-1, keepdims=True)|0": "a lost cell is lost at both ends",
    "inference/departures|departures_between|other function|np.isnan(high).any(axis=-1, keepdims=True)|"
    "np.isnan(high).all(axis=-1, keepdims=True)|0": "a lost cell is lost at both ends",
    "verdict/unopened|unlike|comparison|stage.containers['treatment'] == 'stored'|"
    "stage.containers['treatment'] >= 'stored'|0":
        "of the treatments that a table may name it is the last in the alphabet",
    "inference/departures|noise_share|arithmetic|weights + 0 * middle|weights - 0 * middle|0": "only NaN is added, where lost",
    "verdict/rule|_said|comparison|model.word == 'stratified'|model.word >= 'stratified'|0":
        "of the words of a mean it is the last in the alphabet",
    "inference/screened|words_between|comparison|beyond == 1|beyond >= 1|0": "of -1, 0 and 1 none lies above 1",
    "inference/screened|_within|arithmetic|edge - NEAR * np.abs(edge)|edge + NEAR * np.abs(edge)|0":
        "a computed reach within a billionth of the margin, above which the exact look would decide",
    "inference/screened|_beyond|comparison|lo.mean(axis=1) > edge|lo.mean(axis=1) >= edge|0":
        "with a mean at the edge itself p is a half or more: none shown either way",
    "inference/power|chances|comparison|df >= m|df > m|0": "two ways to draw the same scatter, both exact for as many as m",
    "inference/critical_range|_starting_with|constant|9.0|11.25|0":
        "how far an integral reaches: beyond nine standard deviations lies less than 1e-18",
    "inference/critical_range|_starting_with|constant|9.0|11.25|1":
        "how far an integral reaches: beyond nine standard deviations lies less than 1e-18",
    "inference/critical_range|_starting_with|other function|mu.min()|mu.max()|1":
        "how far up an integral reaches: what is the smallest of all lies no further up than nine above the least mean",
    "inference/tost_power|owens_q|arithmetic|centre + 4|centre - 4|0": "hints for the integration, whose error is bounded",
    "inference/tost_power|owens_q|comparison|low < p < end|low >= p < end|0":
        "hints for the integration, whose error is bounded",
    "inference/declared|departure_p|constant|0|1|0": "none whole: fewer than two degrees of freedom either way",
    "inference/influence|without_each|constant|1|2|0": "how many studies are worked on at once",
    "inference/single|SingleResult.reasons|comparison|self.word == 'stratified'|self.word >= 'stratified'|0":
        "of the words it is the last in the alphabet",
    "inference/departures|between|comparison|_most(f, t_of(f.df, 1 - alpha), step, s, edge) < edge|"
    "_most(f, t_of(f.df, 1 - alpha), step, s, edge) <= edge|0": "the end of a search for the worst, of continuous numbers",
    "verdict/grid|rows_of|comparison|table['word'] == WITHIN|table['word'] >= WITHIN|0":
        "of the words a cell can hold it is the last in the alphabet",
    "verdict/grid|counts|other function|table.groupby('analyte', sort=False)['container'].nunique()|"
    "table.groupby('analyte', sort=False)['container'].count()|0": "one row a container and analyte",
    "verdict/grid|_named|comparison|len(own) == len(boxes)|len(own) >= len(boxes)|0":
        "those named are among the containers: never more",
    "inference/contrasts|_each|comparison|c != 0|c == 0|0":
        "never a pair then: the other road adds two products with 1 and zeros, which is the same number",
    "inference/contrasts|_each|constant|0|1|0":
        "never a pair then: the other road adds two products with 1 and zeros, which is the same number",
    "inference/contrasts|_each|sign|-1.0|1.0|0":
        "never a pair then: the other road adds two products with 1 and zeros, which is the same number",
    "inference/contrasts|_each|constant|1.0|2|0":
        "never a pair then: the other road adds two products with 1 and zeros, which is the same number",
    "inference/contrasts|_each|constant|1.0|2|1":
        "never a pair then: the other road adds two products with 1 and zeros, which is the same number",
    "inference/judge|_pair_table|index|p_within(found, margin.edge, side=margin.side)[0]|"
    "p_within(found, margin.edge, side=margin.side)[-1]|0": "one study: the first is the last",
    "inference/judge|_pair_table|index|p_beyond(found, margin.edge, depths=cells.k, side=margin.side)[0]|"
    "p_beyond(found, margin.edge, depths=cells.k, side=margin.side)[-1]|0": "one study: the first is the last",
    "inference/judge|_one_group|index|found.estimate[0]|found.estimate[-1]|0": "one study: the first is the last",
    "inference/judge|_one_group|index|found.estimate[0]|found.estimate[-1]|1": "one study: the first is the last",
    "inference/judge|_widest_step|comparison|step / 2 < least|step / 2 <= least|0":
        "readings are multiples of the step: none is half of it",
    "inference/margin|Margin.one_sided|constant|0.0|1|0":
        "where neither an absolute margin nor a factor stands, per cent do: the definition asks for exactly one",
    "quality/together|_of_the_floor|index|c.rows[0]|c.rows[-1]|1": OF_ONE_BOTTLE,
    "quality/together|_of_the_floor|index|c.rows[0]|c.rows[-1]|2": OF_ONE_BOTTLE,
    "quality/together|_of_the_floor|index|c.rows[0]|c.rows[-1]|3": OF_ONE_BOTTLE,
    "quality/together|_of_runs|index|c.rows[0]|c.rows[-1]|0": OF_ONE_BOTTLE,
    "quality/together|_at_the_floor|index|c.rows[0]|c.rows[-1]|0": OF_ONE_BOTTLE,
    "quality/together|_at_the_floor|index|c.rows[0]|c.rows[-1]|1": OF_ONE_BOTTLE,
    "quality/together|_at_the_floor|index|c.rows[0]|c.rows[-1]|2": OF_ONE_BOTTLE,
    "quality/together|_at_the_floor|index|c.rows[0]|c.rows[-1]|3": OF_ONE_BOTTLE,
    "quality/together|one_way|index|c.rows[0]|c.rows[-1]|0": OF_ONE_BOTTLE,
    "quality/together|one_way|index|c.rows[0]|c.rows[-1]|1": OF_ONE_BOTTLE,
    "quality/together|_without_levels|index|c.rows[0]|c.rows[-1]|0": "all rows of such an explanation are of one container",
    "quality/together|_without_levels.by_mixing|index|c.rows[0]|c.rows[-1]|0":
        "all rows of such an explanation are of one container",
    "quality/together|_without_levels|comparison|c.place == 'container'|c.place >= 'container'|0":
        "the only other place of such an explanation is a bottle, which comes before it in the alphabet",
    "quality/together|could_settle|comparison|c.cause == 'wrong product'|c.cause >= 'wrong product'|0":
        "no cause comes after it in the alphabet",
    "quality/together|settled_apart|comparison|x >= limit|x > limit|0":
        "the limit lies a share of 1e-9 below what readings of few digits can differ by",
    "quality/together|settled_apart|comparison|x <= -limit|x < -limit|0":
        "the limit lies a share of 1e-9 below what readings of few digits can differ by",
    "quality/together|lowest|comparison|height[row] <= np.nanmin(height[sc.rows_of(int(sc.f.at[row]))]) + 1e-09|"
    "height[row] < np.nanmin(height[sc.rows_of(int(sc.f.at[row]))]) + 1e-09|0":
        "no two heights that a person enters differ by a billionth of the unit",
}
