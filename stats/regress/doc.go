// Package regress fits linear models: a small formula language and the design
// matrix it stands for, ordinary least squares with analysis of variance,
// heteroscedasticity-consistent standard errors, influence measures, and
// estimated marginal means with their contrasts.
//
// Models are written as in the trade,
//
//	change ~ baseline + protocol * visit + I(age^2) + offset(log(years))
//
// with + - * : / ^ %in% between terms, arithmetic inside I( ) and the
// functions log, log2, log10, log1p, exp, sqrt, abs, factor and as.numeric.
// Factors have treatment contrasts (first level in byte order is the
// reference) and coefficients are named as R names them: (Intercept), armB,
// factor(visit)12, armB:age. Wilkinson and Rogers, Appl Stat 1973;22:392–399.
package regress
