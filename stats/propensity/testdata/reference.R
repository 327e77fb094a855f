# Makes reference.txt: simulated data and what R returns for them. One line a
# quantity: name, tab, values of 17 digits.
# Run here: Rscript reference.R > reference.txt (another seed: Rscript reference.R SEED)
# R 4.2.2, sandwich 3.0-2.
suppressMessages(library(sandwich))
put <- function(name, v) cat(name, "\t", paste(formatC(as.numeric(v), digits = 17, format = "g", width = 1), collapse = " "), "\n", sep = "")
seed <- commandArgs(TRUE)
set.seed(if (length(seed)) as.integer(seed) else 20260103)
n <- 160
id <- sample(1:100, n, TRUE)
x1 <- round(rnorm(n, 54, 4), 2); x2 <- rbinom(n, 1, 0.4)
t <- rbinom(n, 1, plogis(0.1 * (x1 - 54) - 0.5 * x2))
y <- round(0.4 * t - 0.1 * (x1 - 54) + rnorm(n), 2)
for (v in c("id", "x1", "x2", "t", "y")) put(paste0("data.", v), get(v))
f <- glm(t ~ x1 + x2, binomial(), control = glm.control(epsilon = 1e-14, maxit = 100))
e <- fitted(f)
put("score", e)
w <- list(everyone = t / e + (1 - t) / (1 - e), stabilised = mean(t) * t / e + (1 - mean(t)) * (1 - t) / (1 - e),
  treated = t + (1 - t) * e / (1 - e), overlap = t * (1 - e) + (1 - t) * e)
smd <- function(v, w, bin) {
  s <- if (bin) sqrt((mean(v[t == 1]) * (1 - mean(v[t == 1])) + mean(v[t == 0]) * (1 - mean(v[t == 0]))) / 2)
    else sqrt((var(v[t == 1]) + var(v[t == 0])) / 2)
  (weighted.mean(v[t == 1], w[t == 1]) - weighted.mean(v[t == 0], w[t == 0])) / s
}
put("unweighted.smd", c(smd(x1, rep(1, n), FALSE), smd(x2, rep(1, n), TRUE)))
for (k in names(w)) {
  wk <- w[[k]]
  m <- lm(y ~ t, weights = wk)
  put(paste0(k, ".weight"), wk)
  put(paste0(k, ".smd"), c(smd(x1, wk, FALSE), smd(x2, wk, TRUE)))
  put(paste0(k, ".size"), c(sum(wk[t == 1])^2 / sum(wk[t == 1]^2), sum(wk[t == 0])^2 / sum(wk[t == 0]^2)))
  put(paste0(k, ".effect"), c(coef(m)[2], sqrt(vcovHC(m, "HC0")[2, 2]),
    sqrt(vcovCL(m, cluster = id, type = "HC0", cadjust = FALSE)[2, 2])))
}
