# Makes reference.txt: simulated data and what R returns for them. One line a
# quantity: name, tab, values of 17 digits.
# Run here: Rscript reference.R > reference.txt (another seed: Rscript reference.R SEED)
# R 4.2.2. Profile limits by root finding on the profile deviance, since
# confint interpolates (about 1e-4).
put <- function(name, v) cat(name, "\t", paste(formatC(as.numeric(v), digits = 17, format = "g", width = 1), collapse = " "), "\n", sep = "")
seed <- commandArgs(TRUE)
set.seed(if (length(seed)) as.integer(seed) else 20260102)
n <- 180
x1 <- round(rnorm(n, 54, 4), 2); x2 <- rbinom(n, 1, 0.4); time <- round(runif(n, 0.5, 9), 1)
y <- rbinom(n, 1, plogis(-0.5 + 0.15 * (x1 - 54) - 0.8 * x2))
count <- rpois(n, time * exp(-1 + 0.05 * (x1 - 54) + 0.4 * x2))
trials <- sample(1:6, n, TRUE); yes <- rbinom(n, trials, plogis(0.3 + 0.1 * (x1 - 54)))
for (v in c("x1", "x2", "time", "y", "count", "trials", "yes")) put(paste0("data.", v), get(v))
ctl <- glm.control(epsilon = 1e-14, maxit = 200)
profile_ci <- function(f) {
  X <- model.matrix(f); b <- coef(f); se <- sqrt(diag(vcov(f))); off <- if (is.null(f$offset)) rep(0, nrow(X)) else f$offset
  sapply(seq_along(b), function(j) {
    dv <- function(v) glm.fit(X[, -j, drop = FALSE], f$y, f$prior.weights, offset = off + X[, j] * v, family = f$family,
      control = ctl, intercept = FALSE)$deviance - f$deviance - qchisq(0.95, 1)
    sapply(c(-1, 1), function(s) uniroot(dv, sort(b[j] + s * c(0, 6) * se[j]), tol = 1e-13)$root)
  })
}
fits <- list(logistic = glm(y ~ x1 + x2, binomial(), control = ctl),
  trials = glm(cbind(yes, trials - yes) ~ x1 + x2, binomial(), control = ctl),
  offset = glm(y ~ x1 + x2 + offset(time / 10), binomial(), control = ctl),
  rate = glm(count ~ x1 + x2 + offset(log(time)), poisson(), control = ctl),
  through = glm(count ~ 0 + x1 + x2, poisson(), control = ctl))
for (k in names(fits)) {
  f <- fits[[k]]
  put(paste0(k, ".coef"), coef(f)); put(paste0(k, ".vcov"), vcov(f)); put(paste0(k, ".profile"), profile_ci(f))
  put(paste0(k, ".summary"), c(f$deviance, f$null.deviance, f$df.residual, f$df.null, logLik(f), AIC(f)))
}
f <- fits$logistic
p <- fitted(f)
auc <- mean(outer(p[y == 1], p[y == 0], function(a, b) (a > b) + (a == b) / 2))
put("logistic.discrimination", c(auc, mean((y - p)^2), 1 - f$deviance / f$null.deviance,
  (1 - exp((f$deviance - f$null.deviance) / n)) / (1 - exp(-f$null.deviance / n))))
