# Reference values for the mixed-model tests, by lme4, lmerTest and pbkrtest.
#
#   python mixed_cases.py DIRECTORY
#   Rscript make_references.R DIRECTORY references.json DATE
#   python mixed_cases.py DIRECTORY slopes
#   Rscript make_references.R DIRECTORY slopes.json DATE
#
# pbkrtest 0.5.2 takes a generalised inverse where the information of the (co)variances has an eigenvalue below 1e-10, whatever
# their unit; lmerTest differentiates by numbers. So models with random slopes are fitted to the response divided by its
# standard deviation, and what has its unit is multiplied back. Degrees of freedom and F do not depend on the unit.
#
# lme4's optimiser is set tighter than its default, because its default leaves 1e-5 in the variances.
suppressPackageStartupMessages({library(lme4); library(lmerTest); library(pbkrtest); library(jsonlite)})
arguments <- commandArgs(trailingOnly = TRUE)
models <- fromJSON(file.path(arguments[1], "models.json"), simplifyVector = FALSE)

tight <- lmerControl(optimizer = "bobyqa", calc.derivs = FALSE, check.conv.singular = "ignore",
                     optCtrl = list(rhobeg = 0.2, rhoend = 1e-12, maxfun = 1e6))

effects_of <- function(f, unit) {
  e <- ranef(f, condVar = FALSE)
  out <- list()
  for (g in names(e)) for (v in names(e[[g]]))
    out[[if (v == "(Intercept)") g else paste(v, "|", g)]] <- setNames(as.list(e[[g]][[v]] * unit), rownames(e[[g]]))
  out
}

fit_one <- function(name, m) {
  d <- read.csv(file.path(arguments[1], paste0(name, ".csv")), colClasses = "character")
  for (v in names(d)) d[[v]] <- if (v %in% unlist(m$numeric)) as.numeric(d[[v]]) else
    factor(d[[v]], levels = sort(unique(d[[v]]), method = "radix"))
  slopes <- any(grepl("|", unlist(m$random), fixed = TRUE))
  right <- c("1", unlist(m$fixed), sapply(unlist(m$random), function(r) sprintf(if (grepl("|", r, fixed = TRUE)) "(%s)" else "(1|%s)", r)))
  text <- sprintf("%s ~ %s", m$response, paste(right, collapse = " + "))
  unit <- if (slopes) sd(d[[m$response]]) else 1
  d[[m$response]] <- d[[m$response]] / unit
  first <- lmerTest::lmer(as.formula(text), d, control = tight)
  # a second start; the better of the two
  k <- length(getME(first, "theta"))
  starts <- if (slopes) list(rep(0.05, k), ifelse(getME(first, "lower") == 0, 1, -0.5), ifelse(getME(first, "lower") == 0, 0.2, 0.2)) else
    list(rep(0.05, k))
  f <- first
  for (s in starts) {
    other <- lmerTest::lmer(as.formula(text), d, control = tight, start = s)
    if (REMLcrit(other) < REMLcrit(f)) f <- other
  }
  vc <- as.data.frame(VarCorr(f))
  p <- length(fixef(f))
  V <- vcovAdj(f)
  one <- lapply(seq_len(p), function(i) {
    L <- rep(0, p); L[i] <- 1
    s <- contest(f, L, joint = FALSE)
    list(satt_df = s$df, kr_df = Lb_ddf(L, vcov(f), V))
  })
  joint <- function(rows) {
    L <- diag(p)[rows, , drop = FALSE]
    s <- contest(f, L)
    k <- KRmodcomp(f, L)$stats
    list(rows = rows - 1, satt_F = s[["F value"]], satt_df = s$DenDF, satt_p = s[["Pr(>F)"]],
         kr_F = k$Fstat, kr_df = k$ddf, kr_p = k$p.value, kr_scale = k$F.scaling)
  }
  joints <- list()
  if (p > 2) joints <- c(joints, list(joint(2:p)))
  if (length(m$joint)) joints <- c(joints, list(joint((m$joint[[1]] + 1):m$joint[[2]])))
  group <- sub("\\.[0-9]+$", "", vc$grp)
  named <- function(v) ifelse(is.na(v) | v == "(Intercept)", group, paste(v, "|", group))
  own <- is.na(vc$var2)
  list(formula = text, n = nrow(d), singular = isSingular(f), criterion = REMLcrit(f) + (nrow(d) - p) * log(unit^2),
       variances = setNames(as.list(vc$vcov[own] * unit^2), ifelse(group == "Residual", "residual", named(vc$var1))[own]),
       covariances = lapply(which(!own), function(i) list(named(vc$var1)[i], named(vc$var2)[i], vc$vcov[i] * unit^2)),
       coefficients = I(names(fixef(f))), beta = I(unname(fixef(f)) * unit),
       se = I(unname(sqrt(diag(as.matrix(vcov(f))))) * unit), kr_se = I(unname(sqrt(diag(as.matrix(V)))) * unit), satt_df = I(sapply(one, `[[`, "satt_df")),
       kr_df = I(sapply(one, `[[`, "kr_df")), joint = joints,
       effects = effects_of(f, unit))
}

out <- list(
  `_do_not_edit` = "written by make_references.R; change the script or mixed_cases.py and run it again",
  made_on = arguments[3], R = R.version.string,
  packages = lapply(setNames(nm = c("lme4", "lmerTest", "pbkrtest")), function(x) as.character(packageVersion(x))),
  call = "lmerTest::lmer(formula, control = lmerControl('bobyqa', rhoend = 1e-12)); contest(); vcovAdj(); Lb_ddf(); KRmodcomp()",
  models = lapply(setNames(nm = names(models)), function(n) fit_one(n, models[[n]])))
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), arguments[2])
