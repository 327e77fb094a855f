// Package mixed fits linear mixed models and mixed models for repeated
// measures by REML or maximum likelihood, with Satterthwaite and Kenward–Roger
// degrees of freedom.
//
// A response is y = Xβ + Zb + e with normal b and e, so that Var y = V(ψ), a
// matrix linear in variances and covariances ψ (or, for AR(1), smooth in a variance and a
// correlation). Everything here comes from the sums
//
//	W'V⁻¹W,  W'V⁻¹G_kV⁻¹W,  W'V⁻¹G_kV⁻¹G_lV⁻¹W,  tr V⁻¹G_k,  tr V⁻¹G_kV⁻¹G_l
//
// over independent blocks of rows (patients), with W = (Q, r) the orthonormal
// fixed columns and the least-squares residuals, and G_k = ∂V/∂ψ_k: the
// likelihood with its exact gradient and Hessian, Newton's method on them, and
// both kinds of degrees of freedom without numerical differentiation.
//
// Patterson & Thompson, Biometrika 1971;58:545–554; Harville, J Am Stat Assoc
// 1977;72:320–338; Bates et al., J Stat Softw 2015;67(1); Kenward & Roger,
// Biometrics 1997;53:983–997; Fai & Cornelius, J Stat Comput Simul 1996;54:363–378.
package mixed
