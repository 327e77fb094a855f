# Makes reference.txt: simulated two-eye follow-up with many ties, and what R
# returns for it. One line a quantity: name, tab, values of 17 digits.
# Run here: Rscript reference.R > reference.txt (another seed: Rscript reference.R SEED)
# R 4.2.2, survival 3.5-3, cmprsk 2.2-11.
suppressMessages({ library(survival); library(cmprsk) })
put <- function(name, v) cat(name, "\t", paste(formatC(as.numeric(v), digits = 17, format = "g", width = 1), collapse = " "), "\n", sep = "")
seed <- commandArgs(TRUE)
set.seed(if (length(seed)) as.integer(seed) else 20260101)
n <- 240
id <- sample(1:150, n, TRUE)                    # patients, one to five rows each
frail <- rgamma(150, 2, 2)[id]
group <- sample(0:2, n, TRUE)
site <- sample(1:3, n, TRUE)
x1 <- round(rnorm(n, 50, 4), 1)
x2 <- rbinom(n, 1, 0.4)
rate <- frail * exp(0.06 * (x1 - 50) - 0.5 * x2 + 0.3 * group) / 20
t1 <- rexp(n, rate); t2 <- rexp(n, rate / 2); cens <- runif(n, 1, 40)
time <- pmax(0.5, round(2 * pmin(t1, t2, cens)) / 2)
cause <- ifelse(pmin(t1, t2) > cens, 0, ifelse(t1 < t2, 1, 2))
ev <- as.integer(cause == 1)
for (v in c("id", "group", "site", "x1", "x2", "time", "cause")) put(paste0("data.", v), get(v))

# Kaplan-Meier
for (ct in c("log-log", "log", "plain")) {
  f <- survfit(Surv(time, ev) ~ 1, conf.type = ct, conf.int = 0.9)
  put(paste0("km.", ct, ".lower"), f$lower); put(paste0("km.", ct, ".upper"), f$upper)
  q <- quantile(f, c(0.1, 0.25, 0.5))
  put(paste0("km.", ct, ".quantile"), c(q$quantile, q$lower, q$upper))
}
put("km.time", f$time); put("km.risk", f$n.risk); put("km.surv", f$surv); put("km.se", f$surv * f$std.err)
put("km.cumhaz", f$cumhaz); put("km.cumhaz.se", f$std.chaz)
put("km.rmst", summary(f, rmean = 25)$table[c("rmean", "se(rmean)")])
fc <- survfit(Surv(time, ev) ~ 1, cluster = id)
put("km.cluster.se", fc$std.err); put("km.cluster.cumhaz.se", fc$std.chaz)
# restricted mean, clustered: the influence of each cluster integrated over the curve
fi <- survfit(Surv(time, ev) ~ 1, cluster = id, influence = 1)
w <- diff(c(fi$time[fi$time < 25], 25))
put("km.cluster.rmst.se", sqrt(sum((fi$influence.surv[, fi$time < 25] %*% w)^2)))

# log-rank
lr <- function(name, f) { put(paste0(name, ".chisq"), f$chisq)
  put(paste0(name, ".obs"), if (is.matrix(f$obs)) rowSums(f$obs) else f$obs)
  put(paste0(name, ".exp"), if (is.matrix(f$exp)) rowSums(f$exp) else f$exp); put(paste0(name, ".var"), f$var) }
lr("logrank", survdiff(Surv(time, ev) ~ group))
lr("petopeto", survdiff(Surv(time, ev) ~ group, rho = 1))
lr("halfrho", survdiff(Surv(time, ev) ~ group + strata(site), rho = 0.5))
lr("stratified", survdiff(Surv(time, ev) ~ group + strata(site)))
# trend: the score test of the exact conditional likelihood
put("trend.chisq", coxph(Surv(time, ev) ~ group, ties = "exact")$score)
put("trend.stratified.chisq", coxph(Surv(time, ev) ~ group + strata(site), ties = "exact")$score)
put("logrank.cluster.chisq", coxph(Surv(time, ev) ~ factor(group), ties = "breslow", cluster = id)$rscore)

# proportional hazards
ctl <- coxph.control(eps = 1e-13, toler.chol = 1e-14, iter.max = 100)
for (ties in c("efron", "breslow")) for (st in c("one", "site")) {
  d <- data.frame(time, ev, x1, x2, group, site, id)
  fo <- if (st == "one") Surv(time, ev) ~ x1 + x2 + factor(group) else Surv(time, ev) ~ x1 + x2 + factor(group) + strata(site)
  f <- coxph(fo, data = d, ties = ties, control = ctl)
  r <- coxph(fo, data = d, ties = ties, control = ctl, cluster = id)
  k <- paste("cox", ties, st, sep = ".")
  put(paste0(k, ".coef"), coef(f)); put(paste0(k, ".vcov"), vcov(f)); put(paste0(k, ".robust"), vcov(r))
  put(paste0(k, ".tests"), c(f$loglik, f$score, f$wald.test, r$wald.test, r$rscore))
  put(paste0(k, ".concordance"), c(f$concordance[c("concordance", "std")], r$concordance["std"]))
  for (tr in c("km", "identity", "log")) put(paste0(k, ".zph.", tr), cox.zph(f, transform = tr)$table[, "chisq"])
  put(paste0(k, ".basehaz"), suppressWarnings(basehaz(f, centered = FALSE))$hazard)
}

# competing risks
cu <- cuminc(time, cause, cencode = 0)
tt <- c(2, 5, 10, 20, 30)
tp <- timepoints(cu, tt)
put("cif.1", tp$est[1, ]); put("cif.2", tp$est[2, ])
put("cif.1.se", sqrt(tp$var[1, ])); put("cif.2.se", sqrt(tp$var[2, ]))
s <- summary(survfit(Surv(time, factor(cause, 0:2)) ~ 1), times = tt)
put("cif.1.ij", s$std.err[, 2]); put("cif.2.ij", s$std.err[, 3])
# survfit of survival 3.5-3 does not sum by cluster here: the influence of a row
# is the derivative of the estimate in its weight, taken numerically
aj <- function(w, k) sapply(tt, function(upto) {
  S <- 1; F <- 0
  for (u in sort(unique(time[time <= upto]))) {
    at <- sum(w[time >= u])
    F <- F + S * sum(w[time == u & cause == k]) / at
    S <- S * (1 - sum(w[time == u & cause > 0]) / at)
  }
  F })
for (k in 1:2) {
  D <- sapply(seq_along(time), function(i) { e <- 1e-4 * (seq_along(time) == i); (aj(1 + e, k) - aj(1 - e, k)) / 2e-4 })
  put(paste0("cif.", k, ".cluster"), sqrt(rowSums(t(rowsum(t(D), id))^2)))
}
put("gray", cuminc(time, cause, group)$Tests[, "stat"])
put("gray.rho1", cuminc(time, cause, group, rho = 1)$Tests[, "stat"])
put("gray.strata", cuminc(time, cause, group, strata = site)$Tests[, "stat"])
for (k in 1:2) {
  f <- crr(time, cause, cbind(x1, x2, group), failcode = k, gtol = 1e-13, maxiter = 50)
  put(paste0("crr.", k), c(f$coef, sqrt(diag(f$var)), f$loglik, f$loglik.null))
}
