# Reference values of carData::Soils by lme4, lmerTest and pbkrtest. Run once:
#   python -c "from soils_study import soils; soils().to_csv('soils.csv', index=False)"   (in tests/)
#   Rscript reference/soils/make_soils.R soils.csv reference/soils/values.json
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(jsonlite)})
args <- commandArgs(TRUE)
d <- read.csv(args[1])
d$Depth <- factor(d$Depth, levels = c("0-10", "10-30", "30-60", "60-90"))
relative <- c("N", "Dens", "P", "Ca", "Mg", "K")
out <- list()
for (a in c("pH", "N", "Dens", "P", "Ca", "Mg", "K", "Na", "Conduc")) {
  d$y <- if (a %in% relative) log(d[[a]]) else d[[a]]
  m <- lmer(y ~ Depth + (1 | container), d, REML = TRUE,
            control = lmerControl(optimizer = "nloptwrap", optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-14,
                                  xtol_rel = 1e-12, ftol_rel = 1e-14, maxeval = 1e5)))
  L <- rbind(c(0, 0, 0, 1))
  kr <- contest(m, L, joint = FALSE, ddf = "Kenward-Roger")
  joint <- KRmodcomp(m, rbind(c(0,1,0,0), c(0,0,1,0), c(0,0,0,1)))
  v <- as.data.frame(VarCorr(m))
  out[[a]] <- list(scale = if (a %in% relative) "log" else "raw", mean_top = unname(fixef(m)[1]),
                   bottom_top = kr$Estimate, se = kr$`Std. Error`, df = kr$df, container = v$vcov[1],
                   residual = v$vcov[2], criterion = REMLcrit(m), F = joint$test["Ftest", "stat"],
                   F_df = joint$test["Ftest", "ddf"])
}
head <- list(do_not_edit = "made by make_soils.R", expression = "lmer(y ~ Depth + (1|container), REML)",
             made_by = paste(R.version.string, "lme4", packageVersion("lme4"), "lmerTest", packageVersion("lmerTest"),
                             "pbkrtest", packageVersion("pbkrtest")), made_on = "2026-11-25", values = out)
write(toJSON(head, auto_unbox = TRUE, digits = 12, pretty = TRUE), args[2])
