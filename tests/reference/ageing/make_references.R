# Reference values for lines over time, by lm, emmeans, lmerTest and clubSandwich.
#
#   Rscript make_references.R references.json DATE
#
# Data: nlme's BodyWeight (16 rats, 3 diets, 11 ages) and Orthodont (27 children, 4 ages); not copied here.
suppressPackageStartupMessages({library(nlme); library(emmeans); library(clubSandwich); library(jsonlite)})
arguments <- commandArgs(trailingOnly = TRUE)
emm_options(msg.interaction = FALSE)

frame <- function(s) { d <- as.data.frame(s); for (v in names(d)) if (is.factor(d[[v]])) d[[v]] <- factor(as.character(d[[v]])); d }
weight <- frame(nlme::BodyWeight); teeth <- frame(nlme::Orthodont)
# unbalanced: every 7th row left out
thin <- weight[seq_len(nrow(weight)) %% 7 != 0, ]

trends <- function(f, by, at, var, d) {
  s <- as.data.frame(emtrends(f, by, var = var, data = d))
  m <- as.data.frame(emmeans(f, by, at = setNames(list(at), var), data = d))
  p <- as.data.frame(pairs(emtrends(f, by, var = var, data = d), adjust = "none"))
  list(levels = I(as.character(s[[1]])), slope = I(s[[2]]), slope_se = I(s$SE), df = I(s$df), mean = I(m$emmean), mean_se = I(m$SE),
       contrast = I(p$estimate), contrast_se = I(p$SE), contrast_p = I(p$p.value))
}
sandwich_of <- function(d, y, t, g, unit) {
  lapply(split(d, d[[g]]), function(part) {
    f <- lm(reformulate(t, y), part)
    V <- vcovCR(f, cluster = factor(part[[unit]]), type = "CR2")
    s <- coef_test(f, V, test = "Satterthwaite")
    list(beta = I(unname(coef(f))), cov = I(matrix(as.vector(V), 2)), df = I(s[["df_Satt"]]), se = I(s[["SE"]]))
  })
}
# ICH Q1E: preliminary tests, and the earliest crossing of a one-sided 95 % limit, children as batches
ich <- function(who, limit, side, span) {
  d <- droplevels(teeth[teeth$Subject %in% who, ]); d$Subject <- factor(d$Subject)
  own <- lm(distance ~ age * Subject, d); rate <- lm(distance ~ age + Subject, d); one <- lm(distance ~ age, d)
  a <- anova(one, rate, own)
  cross <- function(f, who) {
    edge <- function(x) { p <- predict(f, data.frame(age = x, Subject = who), se.fit = TRUE)
      p$fit + side * qt(0.95, p$df) * p$se.fit - limit }
    uniroot(edge, span, tol = 1e-12)$root
  }
  each <- sapply(levels(d$Subject), function(s) cross(lm(distance ~ age, d[d$Subject == s, ]), s))
  list(who = I(who), limit = limit, rates_f = a$F[3], rates_p = a[["Pr(>F)"]][3], levels_f = a$F[2],
       levels_p = a[["Pr(>F)"]][2], one = cross(one, who[1]), common = min(sapply(levels(d$Subject), function(s) cross(rate, s))),
       own = min(each))
}
fit <- anova(lm(distance ~ age * Sex, teeth), lm(distance ~ factor(age) * Sex, teeth))
out <- list(
  `_do_not_edit` = "written by make_references.R", made_on = arguments[2], R = R.version.string,
  packages = lapply(setNames(nm = c("nlme", "emmeans", "clubSandwich")), function(x) as.character(packageVersion(x))),
  lm = list(BodyWeight = trends(lm(weight ~ Time * Diet, weight), "Diet", 40, "Time", weight),
            Orthodont = trends(lm(distance ~ age * Sex, teeth), "Sex", 12, "age", teeth)),
  sandwich = list(whole = sandwich_of(weight, "weight", "Time", "Diet", "Rat"), thin = sandwich_of(thin, "weight", "Time", "Diet", "Rat")),
  ich = list(ich(c("M01", "M02", "M03"), 34, 1, c(8, 60)), ich(c("F01", "F02", "F03"), 32, 1, c(8, 200)),
             ich(c("M05", "M06", "M07"), 33, 1, c(8, 200))),
  lack_of_fit = list(F = fit$F[2], p = fit[["Pr(>F)"]][2], df1 = fit$Df[2], df2 = fit$Res.Df[2]))
writeLines(toJSON(out, auto_unbox = TRUE, digits = NA, pretty = TRUE), arguments[1])
