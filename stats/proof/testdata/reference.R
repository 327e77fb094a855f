# What R has for the seeded data sets of this package.
#
#   Rscript reference.R DATA.json > VALUES.txt
#
# DATA.json is a list of sets, each with an id, a family and columns of numbers
# (null where missing). Each line of the output is the id, the method and its
# numbers with 17 digits, separated by tabs. Where R refuses, the numbers are
# one word, "refused".
options(warn = -1, digits = 17)
suppressMessages(suppressWarnings({
  library(jsonlite); library(survival); library(lme4); library(lmerTest); library(nlme)
  library(clubSandwich); library(sandwich); library(geepack); library(emmeans)
  library(coin); library(cmprsk); library(metafor); library(car)
}))

numbers <- function(x) paste(ifelse(is.na(x), "NA", sprintf("%.17g", as.numeric(x))), collapse = " ")
id <- 0
put <- function(method, value) {
  v <- tryCatch(numbers(unlist(value)), error = function(e) "refused")
  cat(id, "\t", method, "\t", v, "\n", sep = "")
}
htest <- function(t) c(t$statistic, t$parameter, t$p.value, t$conf.int)
alternatives <- c("two.sided", "less", "greater")

# Order statistics k from both ends of all values, as limits of their median.
ends <- function(w, k) { w <- sort(w); k <- max(k, 1); c(median(w), w[k], w[length(w) + 1 - k]) }

paired <- function(s) {
  whole <- complete.cases(s$x, s$y)
  x <- s$x[whole]; y <- s$y[whole]; d <- x - y; n <- length(d)
  if (s$step > 0) d <- round(d / s$step) * s$step
  alt <- alternatives[s$alt + 1]
  z <- qnorm(0.975); tq <- qt(0.975, n - 1)
  put("paired.T", { t <- t.test(d, alternative = alt); c(t$estimate, htest(t)) })
  put("paired.Sign", { b <- binom.test(sum(d > 0), sum(d != 0), alternative = alt); c(b$statistic, b$p.value, b$conf.int) })
  steps <- if (s$step > 0) round(d / s$step) else d
  put("paired.SignedRank normal", { w <- wilcox.test(steps, exact = FALSE, correct = TRUE, alternative = alt); c(w$statistic, w$p.value) })
  put("paired.SignedRank uncorrected", { w <- wilcox.test(steps, exact = FALSE, correct = FALSE, alternative = alt); c(w$statistic, w$p.value) })
  if (s$step > 0 && n <= 60 || n <= 25) {
    put("paired.SignedRank exact", pvalue(wilcoxsign_test(steps ~ rep(0, n), distribution = "exact", zero.method = "Wilcoxon")))
    put("paired.SignedRank exact Pratt", pvalue(wilcoxsign_test(steps ~ rep(0, n), distribution = "exact", zero.method = "Pratt")))
  }
  put("paired.SignedRank Pratt", { w <- wilcoxsign_test(steps ~ rep(0, n), zero.method = "Pratt"); c(statistic(w), pvalue(w)) })
  put("paired.HodgesLehmann exact", if (n <= 200) ends(outer(d, d, "+")[upper.tri(diag(n), TRUE)] / 2, qsignrank(0.025, n)) else stop())
  put("describe.Mean", c(mean(d), sd(d) / sqrt(n), mean(d) - tq * sd(d) / sqrt(n), mean(d) + tq * sd(d) / sqrt(n)))
  put("describe.Quantiles", c(quantile(x, c(.05, .25, .5, .75, .9), type = 7), quantile(x, c(.1, .5, .95), type = 2),
    quantile(x, c(.1, .5, .95), type = 6), quantile(x, c(.1, .5, .95), type = 8)))
  put("describe.ShapiroWilk", { w <- shapiro.test(x); c(w$statistic, w$p.value) })
  put("describe.Summarise", if (n < 4 || var(x) == 0) stop() else {
    m <- function(k) mean((x - mean(x))^k)
    g1 <- m(3) / m(2)^1.5; g2 <- m(4) / m(2)^2 - 3
    c(mean(x), sd(x), IQR(x), mad(x, constant = 1), min(x), max(x), g1 * sqrt(n * (n - 1)) / (n - 2),
      (n - 1) / ((n - 2) * (n - 3)) * ((n + 1) * g2 + 6)) })
  put("describe.MedianCI", { k <- qbinom(0.025, n, 0.5); if (k < 1) stop(); o <- sort(x); c(median(x), o[k], o[n + 1 - k]) })
  put("describe.GeometricMean", { l <- t.test(log(x)); exp(c(l$estimate, l$conf.int, sd(log(x)))) })
  put("describe.Autocorrelation", acf(x, plot = FALSE)$acf[2])
  if (n >= 4) {
    put("correlation.Pearson", { r <- cor.test(x, y, alternative = alt); c(r$estimate, htest(r)) })
    put("correlation.Spearman t", { r <- cor(rank(x), rank(y)); t <- r * sqrt((n - 2) / (1 - r^2)); c(r, t, 2 * pt(-abs(t), n - 2)) })
    put("correlation.Kendall", { k <- cor.test(x, y, method = "kendall", exact = FALSE); c(k$estimate, k$statistic, k$p.value) })
  }
  put("agreement.NewBlandAltman", {
    t <- t.test(x - y); sd <- sd(x - y); lo <- t$estimate - z * sd; up <- t$estimate + z * sd; se <- sd * sqrt(1 / n + z^2 / (2 * (n - 1)))
    c(t$estimate, t$conf.int, sd, lo, lo - tq * se, lo + tq * se, up, up - tq * se, up + tq * se) })
  put("agreement.NewICC", if (n < 3) stop() else {
    a <- anova(lm(c(x, y) ~ factor(rep(1:n, 2)) + factor(rep(1:2, each = n))))
    r <- a[1, 3]; k <- a[2, 3]; e <- a[3, 3]
    c((r - e) / (r + e + 2 * (k - e) / n), (r - e) / (r + e), a[1, 4], a[1, 5]) })
  put("agreement.NewRepeatability", c(sqrt(mean((x - y)^2) / 2), mean(abs(x - y)), sqrt(mean((x - y)^2))))
  put("agreement.NewConcordance", if (n < 3) stop() else {
    v <- function(a, b) mean((a - mean(a)) * (b - mean(b)))
    if (v(x, x) * v(y, y) == 0) stop()
    ccc <- 2 * v(x, y) / (v(x, x) + v(y, y) + (mean(x) - mean(y))^2); c(ccc, cor(x, y), ccc / cor(x, y)) })
  put("design.EquivalencePaired", { a <- t.test(x, y, paired = TRUE, mu = -0.5, alternative = "greater")
    b <- t.test(x, y, paired = TRUE, mu = 0.5, alternative = "less"); c(a$statistic, a$p.value, b$statistic, b$p.value, max(a$p.value, b$p.value)) })
  put("effect.OfDifferences", { dz <- mean(x - y) / sd(x - y); df <- n - 1
    if (n < 3 || !is.finite(dz)) stop(); c(dz, dz * exp(lgamma(df / 2) - lgamma((df - 1) / 2)) / sqrt(df / 2)) })
  put("resample.Jackknife", { m <- sapply(seq_len(n), function(i) median(x[-i])); if (n < 3) stop(); sqrt((n - 1) / n * sum((m - mean(m))^2)) })
}

# The tail of the studentised range by nested quadrature: ptukey itself is good
# to 7 digits only. Good to about 1e-14.
range_tail <- function(q, k, df) {
  inner <- function(s) sapply(s, function(u) { w <- q * u
    1 - integrate(function(z) k * dnorm(z) * (pnorm(z) - pnorm(z - w))^(k - 1), -8, 8, rel.tol = 1e-13, subdivisions = 2000)$value })
  outer <- function(u) inner(u) * exp(log(2) + df / 2 * log(df / 2) - lgamma(df / 2) + (df - 1) * log(u) - df * u^2 / 2)
  knots <- c(0, 0.25, 0.5, 0.75, 1, 1.25, 1.5, 2.5, 5, 12)
  sum(sapply(seq_len(length(knots) - 1), function(i) integrate(outer, knots[i], knots[i + 1], rel.tol = 1e-12, abs.tol = 1e-15)$value))
}

# Tukey's p of all pairs, by first group, then second.
tukey <- function(v, g) {
  df <- length(v) - nlevels(g); s2 <- sum(residuals(lm(v ~ g))^2) / df; m <- tapply(v, g, mean); n <- tapply(v, g, length)
  pairs <- combn(nlevels(g), 2)
  apply(pairs, 2, function(p) range_tail(abs(diff(m[p])) / sqrt(s2 / 2 * sum(1 / n[p])), nlevels(g), df))
}

groups <- function(s) {
  ok <- complete.cases(s$values, s$group)
  v <- s$values[ok]; g <- factor(s$group[ok]); k <- nlevels(g); N <- length(v)
  u <- if (s$step > 0) round(v / s$step) else v
  x <- v[g == levels(g)[1]]; y <- v[g == levels(g)[2]]; ux <- u[g == levels(g)[1]]; uy <- u[g == levels(g)[2]]
  m <- length(x); n <- length(y)
  alt <- alternatives[s$alt + 1]
  two <- function(t) c(diff(rev(t$estimate)), htest(t))
  put("groups.Welch", two(t.test(x, y, alternative = alt)))
  put("groups.Student", two(t.test(x, y, var.equal = TRUE, alternative = alt)))
  put("groups.StudentFromSummary", if (m < 2 || n < 2) stop() else two(t.test(x, y, var.equal = TRUE, alternative = alt)))
  put("pool.Welch", if (m < 2 || n < 2) stop() else { t <- t.test(x, y); c(t$statistic, t$parameter, t$p.value) })
  put("design.Equivalent", if (m < 2 || n < 2) stop() else max(t.test(x, y, mu = -0.5, alternative = "greater")$p.value, t.test(x, y, mu = 0.5, alternative = "less")$p.value))
  put("groups.VarianceRatio", { f <- var.test(x, y, alternative = alt); c(f$estimate, f$parameter, f$p.value, f$conf.int) })
  put("groups.MannWhitney normal", { w <- wilcox.test(ux, uy, exact = FALSE, correct = TRUE, alternative = alt); c(w$statistic, w$p.value) })
  if (m + n <= 60 && s$step > 0) put("groups.MannWhitney exact", pvalue(wilcox_test(c(ux, uy) ~ factor(rep(1:2, c(m, n))), distribution = "exact")))
  put("groups.HodgesLehmann exact", if (m + n > 300) stop() else ends(outer(x, y, "-"), qwilcox(0.025, m, n)))
  put("effect.OfSamples", if (m < 2 || n < 2) stop() else { d <- (mean(x) - mean(y)) / sqrt(((m - 1) * var(x) + (n - 1) * var(y)) / (m + n - 2))
    c(d, (mean(x) - mean(y)) / sd(y)) })
  put("design.EquivalenceWelch", { a <- t.test(x, y, mu = -0.5, alternative = "greater"); b <- t.test(x, y, mu = 0.5, alternative = "less")
    c(a$statistic, a$p.value, b$statistic, b$p.value) })
  if (min(table(g)) >= 2) {
    exact <- if (k > 2) tukey(v, g)
    put("groups.OneWay", { a <- anova(lm(v ~ g)); c(a[1, 4], a[1, 1], a[2, 1], a[1, 5], a[1, 2], a[2, 2]) })
    put("groups.WelchAnova", { a <- oneway.test(v ~ g); c(a$statistic, a$parameter, a$p.value) })
    put("groups.KruskalWallis", { a <- kruskal.test(u, g); c(a$statistic, a$parameter, a$p.value) })
    put("groups.Bartlett", { a <- bartlett.test(v, g); c(a$statistic, a$parameter, a$p.value) })
    put("groups.FlignerKilleen", { a <- fligner.test(v, g); c(a$statistic, a$parameter, a$p.value) })
    put("groups.BrownForsythe", { a <- leveneTest(v, g); c(a[1, 2], a[1, 1], a[2, 1], a[1, 3]) })
    put("groups.Levene", { a <- leveneTest(v, g, center = mean); c(a[1, 2], a[1, 1], a[2, 1], a[1, 3]) })
    if (k > 2) {
      put("groups.Tukey", { h <- TukeyHSD(aov(v ~ g))$g; t(cbind(h[, 1], exact)) })
      put("groups.Tukey limits", t(TukeyHSD(aov(v ~ g))$g[, 2:3]))
      put("groups.PairwiseT", { p <- pairwise.t.test(v, g, p.adjust.method = "holm")$p.value; p[!is.na(p)] })
      put("groups.PairwiseWelch", { p <- pairwise.t.test(v, g, pool.sd = FALSE, p.adjust.method = "holm")$p.value; p[!is.na(p)] })
      put("groups.PairwiseMannWhitney", { p <- pairwise.wilcox.test(u, g, exact = FALSE, p.adjust.method = "holm")$p.value; p[!is.na(p)] })
    }
    put("regress.OLS factor", coef(summary(lm(v ~ g)))[, 1:4])
    put("regress.Pairs", { e <- as.data.frame(pairs(emmeans(lm(v ~ g), "g"))); c(t(cbind(e[, c("estimate", "SE", "df")], if (k > 2) exact else e$p.value))) })
    blocks <- table(g); b <- min(blocks)
    if (b >= 3 && k > 2) {
      layout <- sapply(levels(g), function(l) u[g == l][1:b])
      put("groups.Friedman", { f <- friedman.test(layout); c(f$statistic, f$parameter, f$p.value) })
      put("groups.RepeatedMeasuresAnova", { w <- c(layout); f <- anova(lm(w ~ factor(rep(1:b, k)) + factor(rep(1:k, each = b)))); c(f[2, 4], f[2, 1], f[3, 1], f[2, 5]) })
    }
  }
  put("multiplicity", { p <- s$p; sapply(c("holm", "hochberg", "hommel", "BH", "BY", "bonferroni"), function(m) p.adjust(p, m)) })
  for (h in c("FE", "DL", "REML", "PM"))
    put(paste("pool.Studies", h), { r <- rma(s$effects, s$variances, method = h, control = list(threshold = 1e-13, tol = 1e-13, maxiter = 10000)); c(r$beta, r$se, r$ci.lb, r$ci.ub, r$zval, r$pval, r$tau2, r$QE, r$QEp) })
  put("pool.Studies Knapp", { r <- rma(s$effects, s$variances, method = "DL", test = "knha"); c(r$beta, r$se, r$ci.lb, r$ci.ub, r$pval) })
}

# Limits of the odds ratio given the margins, by the noncentral hypergeometric
# distribution as in fisher.test, to full precision.
conditional <- function(a, n1, b, n2) {
  m <- n1; n <- n2; k <- a + b; lo <- max(0, k - n); hi <- min(k, m); sup <- lo:hi
  logdc <- dhyper(sup, m, n, k, log = TRUE)
  d <- function(l) { d <- logdc + l * sup; d <- exp(d - max(d)); d / sum(d) }
  root <- function(f) exp(uniroot(f, c(-60, 60), tol = 1e-15, maxiter = 10000)$root)
  c(if (a == lo) 0 else if (a == hi) Inf else root(function(l) sum(d(l) * sup) - a),
    if (a == lo) 0 else root(function(l) sum(d(l)[sup >= a]) - 0.025),
    if (a == hi) Inf else root(function(l) sum(d(l)[sup <= a]) - 0.025))
}

counts <- function(s) {
  a <- s$a; n1 <- s$n1; b <- s$b; n2 <- s$n2; z <- qnorm(0.975); p1 <- a / n1; p2 <- b / n2
  t22 <- rbind(c(a, n1 - a), c(b, n2 - b)); alt <- alternatives[s$alt + 1]
  put("proportion.ClopperPearson", binom.test(a, n1)$conf.int)
  put("proportion.Wilson", prop.test(a, n1, correct = FALSE)$conf.int)
  # prop.test leaves the correction out where the share is 1/2.
  put("proportion.WilsonCorrected", if (2 * a == n1) stop() else prop.test(a, n1)$conf.int)
  put("proportion.Wald", c(p1 - z * sqrt(p1 * (1 - p1) / n1), p1 + z * sqrt(p1 * (1 - p1) / n1)))
  put("proportion.JeffreysUnmodified", qbeta(c(0.025, 0.975), a + 0.5, n1 - a + 0.5))
  put("proportion.BinomialTest", { t <- binom.test(a, n1, 0.3, alternative = alt); c(t$p.value, t$conf.int) })
  put("proportion.DifferenceTest", { t <- prop.test(c(a, b), c(n1, n2), alternative = alt); c(t$statistic, t$p.value) })
  put("proportion.DifferenceTest uncorrected", { t <- prop.test(c(a, b), c(n1, n2), correct = FALSE, alternative = alt); c(t$statistic, t$p.value) })
  put("proportion.FisherExact", fisher.test(t22, alternative = alt)$p.value)
  put("proportion.OddsRatioConditional", conditional(a, n1, b, n2))
  put("proportion.OddsRatioWoolf", if (any(t22 == 0)) stop() else { e <- escalc("OR", ai = a, bi = n1 - a, ci = b, di = n2 - b); exp(e$yi + c(0, -z, z) * sqrt(e$vi)) })
  put("proportion.RatioKatz", if (any(t22 == 0)) stop() else { e <- escalc("RR", ai = a, n1i = n1, ci = b, n2i = n2); exp(e$yi + c(0, -z, z) * sqrt(e$vi)) })
  put("proportion.DifferenceWald", if (any(t22 == 0)) stop() else { e <- escalc("RD", ai = a, n1i = n1, ci = b, n2i = n2); e$yi + c(0, -z, z) * sqrt(e$vi) })
  put("proportion.DifferenceNewcombe", { l <- prop.test(a, n1, correct = FALSE)$conf.int; m <- prop.test(b, n2, correct = FALSE)$conf.int
    c(p1 - p2 - sqrt((p1 - l[1])^2 + (m[2] - p2)^2), p1 - p2 + sqrt((l[2] - p1)^2 + (p2 - m[1])^2)) })
  put("proportion.ChiSquared", { t <- chisq.test(t22, correct = TRUE); c(t$statistic, t$p.value) })
  table <- matrix(s$table, ncol = 3, byrow = TRUE)
  put("proportion.ChiSquared table", { t <- chisq.test(table, correct = FALSE); c(t$statistic, t$parameter, t$p.value, t$expected[1, ]) })
  put("proportion.FisherExact table", fisher.test(table, workspace = 2e6)$p.value)
  put("proportion.GoodnessOfFit", { t <- chisq.test(table[, 1], p = rep(1, nrow(table)) / nrow(table)); c(t$statistic, t$parameter, t$p.value) })
  put("proportion.Trend", { t <- prop.trend.test(table[, 1], rowSums(table)); c(t$statistic, t$p.value) })
  put("proportion.EqualProportions", { t <- prop.test(table[, 1], rowSums(table), correct = FALSE); c(t$statistic, t$parameter, t$p.value) })
  put("proportion.Bowker", { t <- mcnemar.test(table[1:3, ]); c(t$statistic, t$parameter, t$p.value) })
  pr <- s$pairs; pm <- matrix(pr, 2, byrow = TRUE)
  put("proportion.McNemar", { t <- mcnemar.test(pm, correct = FALSE); c(t$statistic, t$p.value) })
  put("proportion.McNemar corrected", { t <- mcnemar.test(pm); c(t$statistic, t$p.value) })
  put("proportion.McNemarExact", binom.test(pr[2], pr[2] + pr[3])$p.value)
  st <- array(s$strata, c(2, 2, length(s$strata) / 4)) # column-major: events a, events b, rest a, rest b
  put("proportion.MantelHaenszel", { t <- mantelhaen.test(st); c(t$statistic, t$p.value) })
  put("proportion.MantelHaenszel uncorrected", { t <- mantelhaen.test(st, correct = FALSE); c(t$statistic, t$p.value) })
  put("proportion.CommonOddsRatio", { t <- mantelhaen.test(st); c(t$estimate, t$conf.int) })
  put("proportion.CommonOddsRatioExact", mantelhaen.test(st, exact = TRUE)$p.value)
  put("rate.Exact", { t <- poisson.test(a, s$t1); c(t$estimate, t$conf.int) })
  put("rate.ExactLower", poisson.test(a, s$t1, alternative = "greater")$conf.int[1])
  put("rate.Test", { t <- poisson.test(a, s$t1, r = 0.2, alternative = alt); c(t$p.value, t$conf.int) })
  put("rate.Ratio", { t <- poisson.test(c(a, b), c(s$t1, s$t2), alternative = alt); c(t$estimate, t$p.value, t$conf.int) })
  put("monitor.Band", { r <- s$target; n <- n1; lim <- function(p) { q <- qbinom(p, n, r); f <- pbinom(q, n, r); min(1, max(0, (q - (f - p) / (f - pbinom(q - 1, n, r))) / n)) }; c(lim(0.025), lim(0.975)) })
  put("power.TTest", { d <- 0.2 + p1; c(power.t.test(n = n1 + 1, delta = d, sd = 1)$power, power.t.test(n = n1 + 1, delta = d, sd = 1, type = "paired")$power,
    power.t.test(power = 0.9, delta = d, sd = 1, tol = 1e-12)$n) })
  put("power.Proportions", c(power.prop.test(n = n1 + 1, p1 = 0.1, p2 = 0.15 + 0.5 * p1)$power, power.prop.test(power = 0.8, p1 = 0.1, p2 = 0.2 + 0.5 * p1, tol = 1e-12)$n))
  put("dist", { q <- s$t1; c(pt(-q / 5, n1), qt(0.999, n1), pchisq(q, n1, lower.tail = FALSE), qchisq(0.01, n1), pf(q / 3, n1, n2, lower.tail = FALSE),
    qf(0.975, n1, n2), pbeta(0.3, n1, n2), qbeta(0.05, n1, n2), pnorm(-q / 2), qnorm(1 / (q * 1e6))) })
  put("dist counts", c(dbinom(a, n1, 0.3), pbinom(a, n1, 0.3), dpois(a, s$t1), ppois(a, s$t1, lower.tail = FALSE), dhyper(a, n1, n2, a + b), phyper(a, n1, n2, a + b)))
  put("dist ranks", c(psignrank(a, n1), dsignrank(0:min(a, 20), n1), pwilcox(a, min(n1, 20), min(n2, 20)), qsignrank(0.1, n1)))
  put("dist Tukey", if (s$id %% 4) stop() else c(range_tail(1 + p1 * 4, 3, n1 + 2), 1 - range_tail(3.3, 5, n1 + 2)))
  put("dist noncentral", c(pt(1.5, n1, ncp = 1 + p1), pf(2, 3, n1 + 2, ncp = 4 * p1 + 1)))
}

follow <- function(s) {
  time <- s$time; event <- s$event; group <- s$group; id <- s$patient; x <- s$x; cause <- s$cause
  at <- c(3, 12, 24)
  curve <- function(kind, cluster = FALSE) {
    f <- if (cluster) survfit(Surv(time, event) ~ 1, conf.type = kind, cluster = id, robust = TRUE) else survfit(Surv(time, event) ~ 1, conf.type = kind)
    u <- summary(f, times = at[at <= max(time)])
    c(u$n.risk, u$surv, u$std.err, u$lower, u$upper)
  }
  for (kind in c("log-log", "log", "plain")) put(paste("survival.KaplanMeier", kind), curve(kind))
  put("survival.KaplanMeier clustered", curve("log-log", TRUE))
  f <- survfit(Surv(time, event) ~ 1, conf.type = "log-log")
  put("survival.Median", summary(f)$table[c("median", "0.95LCL", "0.95UCL")])
  put("survival.RestrictedMean", { tau <- 0.8 * max(time); summary(f, rmean = tau)$table[5:6] })
  test <- function(d) { if (!is.finite(d$chisq) || d$chisq < 1e-12) stop(); df <- length(d$n) - 1; c(d$chisq, pchisq(d$chisq, df, lower.tail = FALSE)) }
  put("survival.LogRank", test(survdiff(Surv(time, event) ~ group)))
  put("survival.LogRank Peto", test(survdiff(Surv(time, event) ~ group, rho = 1)))
  put("survival.LogRank stratified", { d <- survdiff(Surv(time, event) ~ group + strata(s$stratum)); df <- nrow(d$var) - 1; c(d$chisq, pchisq(d$chisq, df, lower.tail = FALSE)) })
  put("survival.LogRankTrend", { d <- survdiff(Surv(time, event) ~ group); sc <- sort(unique(group)); u <- sum(sc * (d$obs - d$exp)); q <- u^2 / c(t(sc) %*% d$var %*% sc); c(q, pchisq(q, 1, lower.tail = FALSE)) })
  tight <- coxph.control(eps = 1e-13, iter.max = 100, toler.chol = 1e-14)
  cox <- function(f, ...) { m <- coxph(f, control = tight, ...); if (any(abs(coef(m)) > 8) || any(is.na(coef(m)))) stop(); m }
  for (ties in c("efron", "breslow"))
    put(paste("survival.Cox", ties), { m <- cox(Surv(time, event) ~ group + x, ties = ties); u <- summary(m); c(t(u$coefficients[, c(1, 3, 4, 5)]), m$loglik, u$logtest[c(1, 3)], u$sctest[c(1, 3)], m$wald.test, pchisq(m$wald.test, 2, lower.tail = FALSE)) })
  put("survival.Cox concordance", summary(cox(Surv(time, event) ~ group + x))$concordance)
  put("survival.Cox clustered", { m <- coxph(Surv(time, event) ~ group + x, cluster = id, control = tight); if (any(abs(coef(m)) > 8)) stop()
    t(summary(m)$coefficients[, c(1, 4, 5, 6)]) })
  put("survival.Cox stratified", t(coef(summary(cox(Surv(time, event) ~ group + x + strata(s$stratum))))[, c(1, 3)]))
  put("survival.ProportionalHazards", t(cox.zph(cox(Surv(time, event) ~ group + x), terms = FALSE)$table))
  put("survival.GrayTest", { if (sum(cause == 1) < 3 || length(unique(group)) < 2) stop(); g <- cuminc(time, cause, group)$Tests; g["1", 1:2] })
  put("survival.CumulativeIncidence", { if (!any(cause == 1)) stop(); f <- factor(cause, 0:2, c("none", "a", "b"))
    u <- summary(survfit(Surv(time, f) ~ 1, id = seq_along(time)), times = at[at <= max(time)]); u$pstate[, 2] })
  put("survival.FineGray", { if (sum(cause == 1) < 5) stop(); m <- crr(time, cause, cbind(group, x), gtol = 1e-12, maxiter = 200); if (any(abs(m$coef) > 8)) stop(); c(m$coef, sqrt(diag(m$var))) })
  put("glm.Poisson", { m <- glm(event ~ group + x + offset(log(time)), family = poisson, control = list(epsilon = 1e-14, maxit = 100)); if (any(abs(coef(m)[-1]) > 8)) stop(); c(coef(m), sqrt(diag(vcov(m))), deviance(m)) })
}

tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-10, maxfun = 1e5), calc.derivs = TRUE,
  check.conv.singular = "ignore", check.conv.grad = "ignore", check.conv.hess = "ignore")

eyes <- function(s) {
  D <- data.frame(y = s$y, base = s$base, arm = factor(s$arm), poor = s$poor, patient = s$patient)
  D <- D[complete.cases(D), ]
  f <- y ~ arm + base
  m <- lm(f, D)
  put("regress.OLS", { u <- summary(m); c(t(u$coefficients), u$r.squared, u$sigma, u$fstatistic[1], logLik(m), AIC(m), BIC(m)) })
  put("regress.Anova marginal", { a <- Anova(m, type = 2); c(a[1:2, 1], a[1:2, 3], a[1:2, 4]) })
  put("regress.Anova sequential", { a <- anova(m); c(a[1:2, 2], a[1:2, 4], a[1:2, 5]) })
  put("regress.HC", sapply(paste0("HC", 0:4), function(h) sqrt(diag(vcovHC(m, h)))))
  put("regress.Influence", c(hatvalues(m)[1:4], rstandard(m)[1:4], rstudent(m)[1:4], cooks.distance(m)[1:4]))
  put("regress.Means", { e <- as.data.frame(emmeans(m, "arm")); c(t(e[, c("emmean", "SE", "df", "lower.CL", "upper.CL")])) })
  for (k in c("CR0", "CR1", "CR2", "CR3"))
    put(paste("cluster.OLS", k), { u <- coef_test(m, vcovCR(m, cluster = D$patient, type = k), test = "Satterthwaite"); c(t(u[, c("beta", "SE", "df_Satt", "p_Satt")])) })
  put("cluster.Mean", { m0 <- lm(y ~ 1, D); K <- length(unique(D$patient)); se <- sqrt(vcovCR(m0, cluster = D$patient, type = "CR1")[1, 1]); c(coef(m0), se, 2 * pt(-abs(coef(m0) / se), K - 1)) })
  put("cluster.Proportion", { m0 <- lm(poor ~ 1, D); if (var(D$poor) == 0) stop(); c(coef(m0), sqrt(vcovCR(m0, cluster = D$patient, type = "CR1")[1, 1])) })
  put("cluster.ICC", { a <- anova(lm(y ~ factor(patient), D)); n <- table(D$patient); if (max(n) < 2) stop(); k <- length(n); n0 <- (sum(n) - sum(n^2) / sum(n)) / (k - 1); (a[1, 3] - a[2, 3]) / (a[1, 3] + (n0 - 1) * a[2, 3]) })
  sign_ranks <- { d <- if (s$step > 0) round(D$y / s$step) else D$y; q <- d != 0; sign(d[q]) * rank(abs(d[q])) }
  put("cluster.SignedRank", { S <- tapply(sign_ranks, D$patient[q], sum); zz <- sum(S) / sqrt(sum(S^2)); c(zz, 2 * pnorm(-abs(zz))) })
  gee <- function(f, fam) { g <- geeglm(f, data = D, id = D$patient, family = fam, corstr = "exchangeable", control = geese.control(epsilon = 1e-12, maxit = 500))
    if (g$geese$error != 0 || any(abs(coef(g)) > 1e3)) stop(); c(coef(g), sqrt(diag(g$geese$vbeta)), g$geese$alpha, g$geese$gamma) }
  if (max(table(D$patient)) > 1) {
    put("cluster.SolveGEE gaussian", gee(f, gaussian))
    if (sum(D$poor) >= 6 && sum(1 - D$poor) >= 6) put("cluster.SolveGEE binomial", gee(poor ~ base, binomial))
  }
  put("glm.Logistic", { g <- glm(poor ~ arm + base, binomial, D, control = list(epsilon = 1e-14, maxit = 100))
    if (any(abs(fitted(g) - 0.5) > 0.5 - 1e-7)) stop(); c(coef(g), sqrt(diag(vcov(g))), deviance(g), g$null.deviance) })
  put("propensity.Effect", { T <- as.numeric(D$arm) - 1; g <- glm(T ~ base, binomial, D, control = list(epsilon = 1e-14, maxit = 100)); e <- fitted(g)
    if (any(abs(e - 0.5) > 0.5 - 1e-7)) stop(); w <- ifelse(T == 1, 1 - e, e); h <- lm(y ~ T, D, weights = w); c(coef(h)[2], sqrt(vcovHC(h, "HC0")[2, 2])) })
  if (max(table(D$patient)) > 1) {
    for (kind in c("REML", "ML")) put(paste("mixed.Model", kind), {
      h <- lmer(y ~ arm + base + (1 | patient), D, REML = kind == "REML", control = tight)
      if (getME(h, "theta") < 1e-3) stop()
      c(fixef(h), sqrt(diag(as.matrix(vcov(h)))), as.data.frame(VarCorr(h))$vcov, logLik(h)) })
    put("mixed.Satterthwaite", { h <- lmer(y ~ arm + base + (1 | patient), D, control = tight); if (getME(h, "theta") < 0.05) stop(); summary(h)$coefficients[, "df"] })
    put("mixed.KenwardRoger", { h <- lmer(y ~ arm + base + (1 | patient), D, control = tight); if (getME(h, "theta") < 0.05) stop()
      u <- summary(h, ddf = "Kenward-Roger")$coefficients; c(u[, 2], u[, 3]) })
    put("mixed.RandomInterceptMean", { h <- lmer(y ~ 1 + (1 | patient), D, control = tight); if (getME(h, "theta") < 0.05) stop(); u <- summary(h)$coefficients; c(u[1, 1:3], as.data.frame(VarCorr(h))$sdcor) })
  }
}

visits <- function(s) {
  D <- data.frame(y = s$y, visit = factor(s$visit), v = s$visit + 1, arm = s$arm, patient = s$patient)
  D <- D[complete.cases(D), ]; D <- D[order(D$patient, D$v), ]
  # gls stops where the likelihood is level to about 1e-9, which leaves four or
  # five digits of the coefficients.
  gl <- function(name, method, cor, wt = NULL, opt = "optim") {
    m <- tryCatch(gls(y ~ visit + arm, D, correlation = cor, weights = wt, method = method, control = glsControl(tolerance = 1e-12, msTol = 1e-14, maxIter = 500, msMaxIter = 5000, opt = opt)), error = function(e) NULL)
    put(name, if (is.null(m)) stop() else coef(m)); put(paste(name, "likelihood"), if (is.null(m)) stop() else logLik(m))
  }
  gl("mixed.MMRM unstructured", "REML", corSymm(form = ~ v | patient), varIdent(form = ~ 1 | v))
  gl("mixed.MMRM compound", "REML", corCompSymm(form = ~ v | patient))
  gl("mixed.MMRM AR1", "ML", corAR1(0.5, form = ~ v | patient), opt = "nlminb")
  put("mixed.Model slope", { m <- lmer(y ~ v + arm + (1 + v | patient), D, control = tight); if (isSingular(m, 1e-3)) stop(); c(fixef(m), sqrt(diag(as.matrix(vcov(m)))), logLik(m)) })
  put("cluster.OLS visits", { m <- lm(y ~ visit + arm, D); u <- coef_test(m, vcovCR(m, cluster = D$patient, type = "CR2"), test = "Satterthwaite"); c(t(u[, c("beta", "SE", "df_Satt")])) })
}

sets <- fromJSON(commandArgs(TRUE)[1], simplifyVector = TRUE, simplifyDataFrame = FALSE, simplifyMatrix = FALSE)
cat("# ", R.version.string, "; ", paste(sapply(c("survival", "lme4", "lmerTest", "pbkrtest", "nlme", "clubSandwich", "sandwich", "geepack", "emmeans", "coin", "cmprsk", "metafor", "car"),
  function(p) paste(p, packageVersion(p))), collapse = ", "), "\n", sep = "")
families <- list(paired = paired, groups = groups, counts = counts, follow = follow, eyes = eyes, visits = visits)
for (s in sets) { id <- s$id; families[[s$family]](s) }
