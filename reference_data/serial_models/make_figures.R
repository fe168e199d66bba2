# Makes data.json, expected.json: serially correlated errors by nlme, REML.
# Run once: Rscript make_figures.R (in this folder). No test needs R.
suppressMessages({library(nlme); library(jsonlite)})
RNGkind("Mersenne-Twister", "Inversion", "Rejection")
tight <- glsControl(tolerance = 1e-12, msTol = 1e-14, maxIter = 500, msMaxIter = 500)
tight_lme <- lmeControl(tolerance = 1e-12, msTol = 1e-14, maxIter = 500, msMaxIter = 500,
                        opt = "nlminb")

invented <- function(seed, order, time, phi, trend = 0, block_sd = 0, block = NULL) {
  set.seed(seed)
  n <- length(order)
  R <- phi^abs(outer(time, time, "-"))
  e <- as.numeric(t(chol(R)) %*% rnorm(n))
  if (!is.null(block)) e <- e + block_sd * rnorm(max(block))[block]
  data.frame(value = round(20 + 0.8 * (order == "B") + trend * time + e, 3),
             condition = order, time = time,
             block = sprintf("b%02d", if (is.null(block)) seq_len(n) else block))
}
abab <- rep(c("A", "B", "B", "A"), 6)
days <- cumsum(c(1, 1, 2, 1, 1, 3, 1, 1, 1, 2, 1, 1, 1, 4, 1, 1, 2, 1, 1, 1, 3, 1, 1, 2))
gap <- cumsum(c(1.5, 2.5, 1.5, 4, 1.5, 2, 3, 1.5, 2.5, 1.5, 2, 1.5, 3.5, 1.5, 2, 1.5, 1.5, 2, 3, 1.5))
trials <- list(
  even = list(d = invented(1, abab, 1:24, 0.6), trend = FALSE),
  days = list(d = invented(2, abab, days, 0.7), trend = FALSE),
  days_trend = list(d = invented(3, abab, days, 0.7, 0.1), trend = TRUE),
  gaps = list(d = invented(4, abab[1:20], gap, 0.8), trend = TRUE)
)
figures <- function(t) {
  f <- if (t$trend) value ~ condition + time else value ~ condition
  m <- gls(f, t$d, correlation = corCAR1(0.4, form = ~ time), method = "REML", control = tight)
  list(beta = unname(coef(m)), se = unname(sqrt(diag(vcov(m)))), loglik = as.numeric(logLik(m)),
       phi = unname(coef(m$modelStruct$corStruct, unconstrained = FALSE)),
       variance = m$sigma^2, trend = t$trend)
}
expected <- lapply(trials, figures)
data <- lapply(trials, function(t) as.list(t$d))

# Four periods in each of eight blocks, correlated inside a block, and a block effect.
b <- rep(1:8, each = 4)
d <- invented(11, unlist(lapply(1:8, function(i) c("A", "B", "B", "A"))), 1:32, 0,
              0, 1.2, b)
set.seed(16)
e <- unlist(lapply(1:8, function(i) as.numeric(arima.sim(list(ar = 0.7), 4))))
d$time <- rep(1:4, 8)
d$value <- round(d$value + e, 3)
m <- lme(value ~ condition, d, random = ~ 1 | block, correlation = corCAR1(0.4, form = ~ time | block),
         method = "REML", control = tight_lme)
data$blocks <- as.list(d)
expected$blocks <- list(beta = unname(fixef(m)), se = unname(sqrt(diag(vcov(m)))),
  loglik = as.numeric(logLik(m)), phi = unname(coef(m$modelStruct$corStruct, unconstrained = FALSE)),
  variance = m$sigma^2, block = as.numeric(getVarCov(m)[1, 1]))

o <- as.data.frame(Ovary)
o$order <- ave(seq_len(nrow(o)), o$Mare, FUN = seq_along)
data$ovary <- list(value = o$follicles, series = as.character(o$Mare), time = o$order,
                   sine = sin(2 * pi * o$Time), cosine = cos(2 * pi * o$Time))
m <- gls(follicles ~ sin(2 * pi * Time) + cos(2 * pi * Time), Ovary,
         correlation = corAR1(form = ~ 1 | Mare), control = tight)
expected$ovary <- list(beta = unname(coef(m)), se = unname(sqrt(diag(vcov(m)))),
  loglik = as.numeric(logLik(m)), phi = unname(coef(m$modelStruct$corStruct, unconstrained = FALSE)),
  variance = m$sigma^2)
write_json(data, "data.json", digits = NA, auto_unbox = TRUE)
write_json(expected, "expected.json", digits = NA, auto_unbox = TRUE, pretty = TRUE)
