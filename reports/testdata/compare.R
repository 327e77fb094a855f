# Expected values of compare_test.go and benchmark_test.go: R 4.2.2 with lme4,
# lmerTest, emmeans, clubSandwich and metafor. Run in this folder:
#   Rscript compare.R
# compare.csv was drawn once with draw() below and is kept.
suppressMessages({library(lmerTest); library(emmeans); library(clubSandwich); library(metafor)})
options(digits = 10, width = 150)
draw <- function() {
  set.seed(815)
  n <- 30
  d <- data.frame(patient = sprintf("P%02d", c(1:22, 1:8)), side = rep(c("right", "left"), c(22, 8)))
  arm <- rep(c("A", "B"), 11)
  d$protocol <- arm[as.integer(sub("P", "", d$patient))]
  d$birth <- (1990 + sample(0:14, 22, TRUE))[as.integer(sub("P", "", d$patient))]
  d$base <- round(rnorm(n, 54 + 2 * (d$protocol == "B"), 3) * 10) * 10
  d$thin <- round(rnorm(n, 460 - 8 * (d$protocol == "B"), 25))
  u <- rnorm(22, 0, 60)[as.integer(sub("P", "", d$patient))]
  d$follow <- round((d$base - 90 + 40 * (d$protocol == "B") - 0.05 * (d$base - 5400) + u + rnorm(n, 0, 70)) / 10) * 10
  write.csv(d, "compare.csv", row.names = FALSE, quote = FALSE)
}
if (!file.exists("compare.csv")) draw()
d <- read.csv("compare.csv")
d$change <- (d$follow - d$base) / 100; d$kmax <- d$base / 100; d$age <- 2025 - d$birth
d$b <- as.numeric(d$protocol == "B")
show <- function(name, ...) cat(sprintf("%-10s", name), format(c(...), digits = 10), "\n")
one <- d[!duplicated(d$patient), ]
for (s in list(one, d)) {
  cat(nrow(s), "eyes of", length(unique(s$patient)), "\n")
  A <- s$change[s$b == 0]; B <- s$change[s$b == 1]
  w <- t.test(B, A); show("welch", diff(rev(w$estimate)), w$conf.int, w$p.value, w$parameter)
  u <- suppressWarnings(wilcox.test(B, A)); show("normal ranks", u$p.value)
  show("shift", median(outer(B, A, "-")))
  s$one <- 1
  fit <- lm(change ~ b + kmax + age + thin, s)
  if (anyDuplicated(s$patient)) {
    m <- lmer(change ~ b + (1 | patient), s); k <- coef(summary(m))["b", ]
    half <- qt(.975, k["df"]) * k["Std. Error"]
    show("mixed", k["Estimate"], k["Estimate"] - half, k["Estimate"] + half, k["Pr(>|t|)"], k["df"])
    v <- as.data.frame(VarCorr(m))$vcov; show("icc", v[1] / sum(v))
    ct <- coef_test(fit, vcov = "CR2", cluster = s$patient, test = "Satterthwaite")["b", ]
    half <- qt(.975, ct$df_Satt) * ct$SE
    show("ancova", ct$beta, ct$beta - half, ct$beta + half, ct$p_Satt, ct$df_Satt)
  } else {
    show("ancova", coef(fit)["b"], confint(fit)["b", ], coef(summary(fit))["b", 4], fit$df.residual)
  }
  em <- summary(emmeans(lm(change ~ factor(b) + kmax + age + thin, s), "b")); show("means", em$emmean)
  e <- fitted(glm(b ~ kmax + age + thin, binomial, s, control = list(epsilon = 1e-14)))
  wt <- ifelse(s$b == 1, 1 - e, e)
  mB <- weighted.mean(s$change[s$b == 1], wt[s$b == 1]); mA <- weighted.mean(s$change[s$b == 0], wt[s$b == 0])
  g <- ifelse(s$b == 1, wt * (s$change - mB) / sum(wt[s$b == 1]), -wt * (s$change - mA) / sum(wt[s$b == 0]))
  se <- sqrt(sum(tapply(g, s$patient, sum)^2)); est <- mB - mA
  show("overlap", est, est - qnorm(.975) * se, est + qnorm(.975) * se, 2 * pnorm(-abs(est / se)))
  smd <- (mean(s$kmax[s$b == 1]) - mean(s$kmax[s$b == 0])) / sqrt((var(s$kmax[s$b == 1]) + var(s$kmax[s$b == 0])) / 2)
  show("smd kmax", smd)
  n <- 2 / (1 / length(A) + 1 / length(B)); sd <- sqrt(((length(A) - 1) * var(A) + (length(B) - 1) * var(B)) / (length(A) + length(B) - 2))
  if (!anyDuplicated(s$patient)) show("detect", power.t.test(n = n, sd = sd, power = .8)$delta)
}
# own changes of both protocols against -0.72, SE 0.15, n = 46
o <- one$change; a <- var(o) / length(o); b <- 0.15^2
df <- (a + b)^2 / (a^2 / (length(o) - 1) + b^2 / 45); d0 <- mean(o) + 0.72
show("benchmark", d0, d0 - qt(.975, df) * sqrt(a + b), d0 + qt(.975, df) * sqrt(a + b), df)
yi <- c(-0.72, 0.78, -0.76); vi <- c(0.15^2, 1.65^2 / 10, 2.7^2 / 81)
for (m in c("FE", "DL", "REML")) { r <- rma(yi, vi, method = m, control = list(threshold = 1e-12)); show(m, r$b, r$ci.lb, r$ci.ub, r$I2, r$tau2) }
