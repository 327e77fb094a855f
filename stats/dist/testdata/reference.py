"""Writes reference.csv: distribution functions in 50-digit arithmetic.

    python3 reference.py > reference.csv      (mpmath 1.3.0)

Columns: function, value, argument 1, argument 2, ... Arguments are doubles,
printed so that they read back to the same double.
"""
import random

import mpmath as mp

mp.mp.dps = 50
rnd = random.Random(20260101)


def row(name, value, *args):
    value = mp.mpf(value)
    if value != 0 and abs(value) < mp.mpf("1e-300"):
        return
    print(",".join([name, mp.nstr(value, 20)] + [repr(float(a)) for a in args]))


def m(x):
    return mp.mpf(float(x))


def inc_beta(a, b, x, y):
    """I_x(a, b) by the continued fraction DLMF 8.17.22, whichever side converges fast."""
    if x > (a + 1) / (a + b + 2):
        return 1 - inc_beta(b, a, y, x)
    c = mp.exp(mp.loggamma(a + b) - mp.loggamma(a) - mp.loggamma(b))
    C, D = mp.mpf(1), 1 / (1 - (a + b) * x / (a + 1))
    h, k = D, 1
    while True:
        for t in (k * (b - k) * x / ((a + 2 * k - 1) * (a + 2 * k)), -(a + k) * (a + b + k) * x / ((a + 2 * k) * (a + 2 * k + 1))):
            D, C = 1 / (1 + t * D), 1 + t / C
            h *= D * C
        if abs(D * C - 1) < mp.mpf(10) ** -48:
            return c * x**a * y**b / a * h
        k += 1


def gamma_lower(a, x):
    """P(a, x) by its series; the working precision covers 1 - P in the far tail."""
    term = total = mp.mpf(1)
    k = a
    while term > total * mp.mpf(10) ** -(mp.mp.dps + 2):
        k += 1
        term *= x / k
        total += term
    return mp.exp(a * mp.log(x) - x - mp.loggamma(a + 1)) * total


for z in [-38, -20.5, -8.3, -3, -1.96, -0.2, 0, 0.4, 1.7, 5.25, 11.1, 26.7, 36.9]:
    row("NormalSF", mp.erfc(m(z) / mp.sqrt(2)) / 2, z)
for p in [1e-300, 1e-100, 3e-20, 1e-10, 0.001, 0.025, 0.3, 0.49999, 0.500001, 0.7, 0.975, 0.9999999]:
    q = m(p) if p < 0.5 else 1 - m(p)
    z = mp.findroot(lambda u: mp.log(mp.erfc(u / mp.sqrt(2)) / 2) - mp.log(q), mp.sqrt(-2 * mp.log(q)) - (0.5 if q < 0.1 else mp.sqrt(-2 * mp.log(q)) - 0.3))
    row("NormalQuantile", -z if p < 0.5 else z, p)
for df in [0.3, 1, 2, 2.7, 5, 12.9, 30, 200, 1000.5, 45000, 1.5e5, 1e7]:
    for t in [1e-5, 0.3, 1.1, 2.2, 5, 12, 30, 1000]:
        x, y = 1 / (1 + m(t) ** 2 / m(df)), 1 / (1 + m(df) / m(t) ** 2)
        if df > 1e4 and t < 2:
            continue
        row("TSF", inc_beta(m(df) / 2, mp.mpf("0.5"), x, y) / 2, t, df)
for a in [0.01, 0.25, 0.5, 1, 3.7, 18.75, 250, 5000]:
    for r in [1e-6, 0.05, 0.5, 0.9, 0.99, 1.01, 1.2, 2, 7]:
        x = float(a * r) if a > 1 else float(r)
        if a > 300 and not 0.8 < r < 1.3:
            continue
        mp.mp.dps = 400
        lower = gamma_lower(m(a), m(x))
        upper = 1 - lower
        mp.mp.dps = 50
        row("GammaLower", lower, x, a)
        row("GammaUpper", upper, x, a)
for a, b in [(0.01, 0.01), (0.01, 5), (0.5, 0.5), (1, 3), (2.5, 40), (30, 250), (400, 3), (1000, 1500), (20000, 20000), (3.65, 1.55)]:
    for x in [1e-9, 1e-3, 0.02, 0.1, 0.11, 0.3, 0.4, 0.5, 0.7, 0.95, 0.999]:
        row("BetaCDF", inc_beta(m(a), m(b), m(x), 1 - m(x)), x, a, b)
        row("BetaSF", inc_beta(m(b), m(a), 1 - m(x), m(x)), x, a, b)
for d1, d2 in [(1, 1), (2, 20), (7.3, 3.1), (60, 500), (3, 1e4), (1, 4.5)]:
    for f in [1e-4, 0.01, 0.7, 1, 4.2, 30, 500]:
        x, y = 1 / (1 + m(d2) / (m(d1) * m(f))), 1 / (1 + m(d1) * m(f) / m(d2))
        row("FSF", inc_beta(m(d2) / 2, m(d1) / 2, y, x), f, d1, d2)
        row("FCDF", inc_beta(m(d1) / 2, m(d2) / 2, x, y), f, d1, d2)
for n, p in [(10, 0.1), (50, 0.02), (1000, 0.5), (20000, 0.001)]:
    for k in sorted({0, 1, 3, int(n * p), int(n * p) + 5, n // 2, n - 1}):
        pm = [mp.binomial(n, j) * m(p) ** j * (1 - m(p)) ** (n - j) for j in range(n + 1)] if n <= 1000 else None
        row("BinomialPMF", mp.binomial(n, k) * m(p) ** k * (1 - m(p)) ** (n - k), k, n, p)
        if pm:
            row("BinomialCDF", sum(pm[: k + 1]), k, n, p)
            row("BinomialSF", sum(pm[k + 1:]), k, n, p)
for lam in [0.01, 3.2, 45, 900]:
    for k in sorted({0, 2, int(lam), int(2 * lam) + 1, int(lam / 3)}):
        row("PoissonPMF", mp.exp(-m(lam)) * m(lam) ** k / mp.factorial(k), k, lam)
        mp.mp.dps = 400
        lower = gamma_lower(m(k + 1), m(lam))
        upper = 1 - lower
        mp.mp.dps = 50
        row("PoissonCDF", upper, k, lam)
        row("PoissonSF", lower, k, lam)
for M, N, D in [(10, 15, 8), (50, 50, 5), (300, 700, 120), (3, 4, 7), (9, 2, 6)]:
    pm = [mp.binomial(M, j) * mp.binomial(N, D - j) / mp.binomial(M + N, D) if D - j >= 0 else mp.mpf(0) for j in range(M + 1)]
    for k in sorted({0, 1, 4, 10, 36, 60, M}):
        if k <= M:
            row("HypergeometricPMF", pm[k], k, M, N, D)
            row("HypergeometricCDF", sum(pm[: k + 1]), k, M, N, D)
            row("HypergeometricSF", sum(pm[k + 1:]), k, M, N, D)


def chi_expectation(df, g):
    df = m(df)
    c = 2 * mp.exp(df / 2 * mp.log(df / 2) - mp.loggamma(df / 2))
    f = lambda v: c * mp.exp(df * v - df * mp.exp(2 * v) / 2) * g(mp.exp(v))
    w = 1 / mp.sqrt(2 * df)
    lo, hi = max(-mp.mpf(60) / df, -mp.mpf(60)) - 30 * w, 30 * w if df > 5 else mp.mpf(4)
    n = 40
    return mp.quad(f, [lo + (hi - lo) * i / n for i in range(n + 1)])


mp.mp.dps = 25
for t, df, ncp in [(2, 10, 1.5), (-1, 5, 0.5), (4, 30, 2.8), (1.96, 200, 1), (12.7, 1, 3), (2.1, 18, -2), (1.98, 118, 6.5), (1.96, 20000, 3.2), (0, 4, 1)]:
    row("NoncentralTSF", chi_expectation(df, lambda s: mp.erfc((m(t) * s - m(ncp)) / mp.sqrt(2)) / 2), t, df, ncp)
    row("NoncentralTCDF", chi_expectation(df, lambda s: mp.erfc((m(ncp) - m(t) * s) / mp.sqrt(2)) / 2), t, df, ncp)
for x, d1, d2, ncp in [(3.2, 3, 16, 5), (2.5, 2, 57, 12.25), (1, 4, 8, 0.3), (8, 5, 200, 60), (0.2, 2, 20, 10)]:
    a, b = 1 / (1 + m(d2) / (m(d1) * m(x))), 1 / (1 + m(d1) * m(x) / m(d2))
    pois = [mp.exp(-m(ncp) / 2) * (m(ncp) / 2) ** j / mp.factorial(j) for j in range(200)]
    row("NoncentralFSF", sum(w * inc_beta(m(d2) / 2, m(d1) / 2 + j, b, a) for j, w in enumerate(pois)), x, d1, d2, ncp)
    row("NoncentralFCDF", sum(w * inc_beta(m(d1) / 2 + j, m(d2) / 2, a, b) for j, w in enumerate(pois)), x, d1, d2, ncp)

mp.mp.dps = 20
Phi = lambda z: mp.erfc(-z / mp.sqrt(2)) / 2
phi = lambda z: mp.exp(-z * z / 2) / mp.sqrt(2 * mp.pi)


def range_tail(w, k):
    h, total, z = mp.mpf("0.1"), mp.mpf(0), mp.mpf(-11)
    while z < 14:
        big, small = Phi(z), Phi(z - w)
        total += phi(z) * (big ** (k - 1) - (big - small) ** (k - 1))
        z += h
    return k * h * total


def tukey(q, k, df):
    w = 1 / mp.sqrt(2 * m(df))
    h = w / 5 if df > 4 else w / 8
    c = 2 * mp.exp(m(df) / 2 * mp.log(m(df) / 2) - mp.loggamma(m(df) / 2))
    total, v = mp.mpf(0), -mp.mpf(45) / df - 12 * w
    while v < 14 * w:
        weight = c * mp.exp(df * v - df * mp.exp(2 * v) / 2)
        if weight > mp.mpf("1e-40"):
            total += weight * range_tail(m(q) * mp.exp(v), k)
        v += h
    return h * total


for q, k, df in [(3.5, 3, 10), (6, 4, 20), (12, 3, 30), (4.1, 6, 60)]:
    row("TukeySF", tukey(q, k, df), q, k, df)
