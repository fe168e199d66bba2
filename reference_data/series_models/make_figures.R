# Makes data.json, expected.json: series of athletes by lme4, lmerTest and pbkrtest.
# Run once: Rscript make_figures.R (in this folder). No test needs R.
suppressMessages({ library(lme4); library(lmerTest); library(pbkrtest); library(jsonlite) })
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5),
                     check.conv.singular = "ignore", calc.derivs = FALSE)
RNGkind("Mersenne-Twister", "Inversion", "Rejection")

# Invented series: pair differences of athletes with unequal numbers of pairs.
series <- list(
  balanced = list(seed = 11, pairs = rep(5, 6), spread = 2),
  unequal = list(seed = 12, pairs = c(2, 3, 4, 5, 6, 8), spread = 2),
  few = list(seed = 13, pairs = c(3, 8, 4, 6), spread = 1.5),
  single = list(seed = 14, pairs = c(1, 2, 6, 6, 3, 7, 1, 4), spread = 3),
  alike = list(seed = 22, pairs = c(4, 3, 6, 5, 4), spread = 0)
)
data <- list(); expected <- list()
for (name in names(series)) {
  s <- series[[name]]
  set.seed(s$seed)
  athlete <- rep(sprintf("a%02d", seq_along(s$pairs)), s$pairs)
  effect <- 1 + s$spread * rnorm(length(s$pairs))
  d <- round(effect[as.integer(factor(athlete))] + sqrt(2) * rnorm(length(athlete)), 3)
  frame <- data.frame(d = d, athlete = athlete)
  fit <- lmer(d ~ 1 + (1 | athlete), frame, control = tight)
  kr <- summary(fit, ddf = "Kenward-Roger")$coefficients
  parts <- as.data.frame(VarCorr(fit))
  data[[name]] <- split(d, athlete)
  expected[[name]] <- list(
    mean = kr[1, "Estimate"], se = kr[1, "Std. Error"], df = kr[1, "df"],
    p = kr[1, "Pr(>|t|)"], sd_individual = parts$sdcor[1], sd_residual = parts$sdcor[2]
  )
}
write(toJSON(data, digits = NA, pretty = TRUE), "data.json")
write(toJSON(expected, digits = NA, pretty = TRUE, auto_unbox = TRUE), "expected.json")
