# Makes expected.json, data.json: mixed-model figures of lme4, lmerTest and pbkrtest.
# Run once: Rscript make_figures.R (in this folder). No test needs R.
suppressMessages({
  library(lme4); library(lmerTest); library(pbkrtest); library(MASS); library(nlme)
  library(jsonlite)
})
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5),
                     check.conv.singular = "ignore", calc.derivs = FALSE)
RNGkind("Mersenne-Twister", "Inversion", "Rejection")

# Invented trials: `orders` gives the conditions of each block as letters.
simulate <- function(seed, orders, block_sd, effect, trend = 0, missing = integer()) {
  set.seed(seed)
  k <- nchar(orders[1])
  block <- rep(seq_along(orders), each = k)
  condition <- unlist(strsplit(orders, ""))
  n <- length(block)
  time <- seq_len(n)
  value <- round(50 + effect[condition] + trend * time + block_sd * rnorm(length(orders))[block] +
                 rnorm(n), 3)
  data <- data.frame(value = as.numeric(value), condition = condition,
                     block = sprintf("b%02d", block),
                     position = rep(seq_len(k), length(orders)), time = time)
  if (length(missing)) data <- data[-missing, ]
  data
}
two <- c(A = 0, B = 1); three <- c(A = 0, B = 1, C = 0.5)
pairs8 <- c("AB", "BA", "BA", "AB", "BA", "AB", "AB", "BA")
threes <- c("ABC", "CAB", "BCA", "BAC", "ACB")
trials <- list(
  pairs_missing = list(d = simulate(1, pairs8, 1, two, missing = c(3, 14)), terms = ""),
  pairs_complete = list(d = simulate(2, pairs8[1:6], 1.5, two), terms = ""),
  pairs_boundary = list(d = simulate(30, pairs8[1:4], 0, two), terms = ""),
  pairs_missing_boundary = list(d = simulate(40, pairs8, 0, two, missing = c(2, 9)), terms = ""),
  pairs_missing_trend = list(d = simulate(6, pairs8, 1, two, 0.2, c(5, 8)), terms = "+ time"),
  pairs_missing_place = list(d = simulate(7, pairs8, 1, two, 0, c(4, 11)),
                             terms = "+ factor(position)"),
  threes_missing = list(d = simulate(8, threes, 1, three, missing = c(2, 12)), terms = ""),
  threes_trend_place = list(d = simulate(9, threes, 1, three, 0.1, c(7)),
                            terms = "+ factor(position) + time"),
  threes_boundary = list(d = simulate(16, threes, 0, three, missing = c(6, 10)), terms = "")
)
melted_shoes <- data.frame(value = c(shoes$A, shoes$B), condition = rep(c("A", "B"), each = 10),
                           block = sprintf("boy%02d", rep(1:10, 2)))
trials$shoes <- list(d = melted_shoes, terms = "")
trials$shoes_missing <- list(d = melted_shoes[-c(1, 12), ], terms = "")
ergo <- as.data.frame(ergoStool)
trials$ergostool <- list(d = data.frame(value = ergo$effort, condition = as.character(ergo$Type),
                                        block = as.character(ergo$Subject)), terms = "")

figures <- function(d, terms) {
  full <- as.formula(paste("value ~ condition", terms, "+ (1 | block)"))
  less <- as.formula(paste("value ~ 1", terms, "+ (1 | block)"))
  m <- lme4::lmer(full, d, REML = TRUE, control = tight)
  s <- lmerTest::lmer(full, d, REML = TRUE, control = tight)
  adjusted <- as.matrix(vcovAdj(m))
  p <- length(fixef(m))
  # Condition rows only; the other columns of L are zero.
  where <- grep("^condition", names(fixef(m)))
  contrasts <- lapply(where, function(i) {
    L <- as.numeric(seq_len(p) == i)
    satt <- contest1D(s, L, ddf = "Satterthwaite")
    list(name = names(fixef(m))[i], estimate = unname(fixef(m)[i]),
         se_plain = sqrt(as.matrix(vcov(m))[i, i]), se = sqrt(adjusted[i, i]),
         df = get_Lb_ddf(m, L), satterthwaite_df = satt[["df"]])
  })
  out <- list(contrasts = contrasts, block = as.numeric(VarCorr(m)[[1]]),
              residual = sigma(m)^2, reml_criterion = REMLcrit(m), terms = trimws(terms))
  if (length(where) > 1) {
    f <- KRmodcomp(m, lme4::lmer(less, d, REML = TRUE, control = tight))$test["Ftest", ]
    out$f <- list(F = f$stat, ndf = f$ndf, ddf = f$ddf, scaling = f$F.scaling, p = f$p.value)
  }
  out
}
expected <- lapply(trials, function(t) figures(t$d, t$terms))
data <- lapply(trials, function(t) as.list(t$d))

# Beets: whole plots inside blocks, a second random effect.
data(beets, package = "pbkrtest")
data$beets <- lapply(as.list(beets), function(x) if (is.factor(x)) as.character(x) else x)
m <- lme4::lmer(sugpct ~ block + sow + harvest + (1 | block:harvest), beets, control = tight)
f <- function(drop) {
  small <- update(m, as.formula(paste(". ~ . -", drop)))
  t <- KRmodcomp(m, small)$test["Ftest", ]
  list(F = t$stat, ndf = t$ndf, ddf = t$ddf, scaling = t$F.scaling, p = t$p.value)
}
expected$beets <- list(sow = f("sow"), harvest = f("harvest"))

# Sleepstudy: random intercept and slope with their covariance.
data$sleepstudy <- list(value = sleepstudy$Reaction, days = sleepstudy$Days,
                        subject = as.character(sleepstudy$Subject))
m <- lme4::lmer(Reaction ~ Days + (Days | Subject), sleepstudy, control = tight)
v <- as.matrix(VarCorr(m)$Subject)
adj <- as.matrix(vcovAdj(m))
expected$sleepstudy <- list(beta = unname(fixef(m)), se = unname(sqrt(diag(adj))),
  df = c(get_Lb_ddf(m, c(1, 0)), get_Lb_ddf(m, c(0, 1))),
  theta = c(v[1, 1], v[1, 2], v[2, 2], sigma(m)^2), reml_criterion = REMLcrit(m))

# Machines: worker and worker-by-machine effects.
mach <- as.data.frame(Machines)
data$machines <- list(value = mach$score, condition = as.character(mach$Machine),
                      block = as.character(mach$Worker))
m <- lme4::lmer(score ~ Machine + (1 | Worker) + (1 | Worker:Machine), mach, control = tight)
adj <- as.matrix(vcovAdj(m))
small <- lme4::lmer(score ~ 1 + (1 | Worker) + (1 | Worker:Machine), mach, control = tight)
t <- KRmodcomp(m, small)$test["Ftest", ]
expected$machines <- list(beta = unname(fixef(m)), se = unname(sqrt(diag(adj))),
  df = sapply(1:3, function(i) get_Lb_ddf(m, as.numeric(1:3 == i))),
  worker = as.numeric(VarCorr(m)$Worker), interaction = as.numeric(VarCorr(m)$`Worker:Machine`),
  residual = sigma(m)^2, F = t$stat, ddf = t$ddf, p = t$p.value, scaling = t$F.scaling)

# A trial with several measurements in a period, unequal in number: periods nested in blocks.
set.seed(21)
base <- simulate(22, pairs8[1:6], 1, two, missing = 8)
times <- rep(seq_len(nrow(base)), rep_len(c(2, 3, 1), nrow(base)))
repeated <- base[times, ]
repeated$value <- round(repeated$value + rnorm(nrow(repeated), sd = 0.6), 3)
data$repeats <- as.list(repeated)
m <- lme4::lmer(value ~ condition + (1 | block) + (1 | time), repeated, control = tight)
expected$repeats <- list(estimate = unname(fixef(m)[2]), se = sqrt(vcovAdj(m)[2, 2]),
  df = get_Lb_ddf(m, c(0, 1)), block = as.numeric(VarCorr(m)$block),
  period = as.numeric(VarCorr(m)$time), residual = sigma(m)^2)

write_json(data, "data.json", digits = NA, auto_unbox = TRUE)
write_json(expected, "expected.json", digits = NA, auto_unbox = TRUE, pretty = TRUE)
