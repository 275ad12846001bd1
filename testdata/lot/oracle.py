#!/usr/bin/env python3
"""Computes oracle-scipy.json: answers of an independent program to the same
questions as analysis/lot. Run by hand with Debian's python3-scipy; the outcome
is committed, with the versions that made it. The data come from a fixed
congruential generator, so that they depend on no program's random numbers.
With --quick it leaves out the fits of long samples, which take it ten seconds;
with that the checks run it again each time."""
import json, math, platform, sys
import numpy as np, scipy
from scipy import stats, optimize

def lcg(seed):
    x = seed
    while True:
        x = (x * 6364136223846793005 + 1442695040888963407) % 2**64
        yield ((x >> 11) + 0.5) / 2**53

def sample(seed, n, mean, s, kind="normal"):
    g = lcg(seed)
    if kind == "normal":
        return [round(mean + s * stats.norm.ppf(next(g)), 3) for _ in range(n)]
    return [round(mean * (-math.log(1 - next(g))) ** (1 / s), 3) for _ in range(n)]

def weibull(y, c):
    y, c = np.array(y, float), np.array(c, float)
    def nll(t):
        b, e = math.exp(t[0]), math.exp(t[1])
        return -(np.sum(stats.weibull_min.logpdf(y, b, scale=e)) + np.sum(stats.weibull_min.logsf(c, b, scale=e)))
    r = optimize.minimize(nll, [1.0, math.log(np.mean(y))], method="Nelder-Mead", options=dict(xatol=1e-12, fatol=1e-13, maxiter=20000, maxfev=20000))
    return dict(shape=math.exp(r.x[0]), scale=math.exp(r.x[1]), loglik=-r.fun)

def gaussian(y, c, log):
    f = np.log if log else np.array
    y, c = f(np.array(y, float)), f(np.array(c, float)) if len(c) else np.array([])
    def nll(t):
        m, s = t[0], math.exp(t[1])
        return -(np.sum(stats.norm.logpdf(y, m, s)) + np.sum(stats.norm.logsf(c, m, s)))
    r = optimize.minimize(nll, [np.mean(y), math.log(np.std(y))], method="Nelder-Mead", options=dict(xatol=1e-12, fatol=1e-13, maxiter=20000, maxfev=20000))
    return dict(mean=r.x[0], sd=math.exp(r.x[1]))

out = {"made_by": f"Python {platform.python_version()}, NumPy {np.__version__}, SciPy {scipy.__version__}", "samples": [], "rates": [], "fisher": [], "pairs": [], "nct": []}
for seed, n, mean, s, kind in [(1, 5, 28, .5, "normal"), (2, 10, 46.5, 1.6, "normal"), (3, 11, 19.4, .45, "normal"), (4, 12, 19.4, .45, "normal"), (5, 30, 28.2, .47, "normal"),
                               (6, 100, 28.2, .47, "normal"), (7, 30, 28, 3, "weibull"), (8, 200, 28, 1.2, "weibull"), (9, 3, 28, 1, "normal")]:
    x = sample(seed, n, mean, s, kind)
    cut = sorted(x)[int(.7 * n)]
    y, c = [v for v in x if v <= cut], [cut for v in x if v > cut]
    w, wp = stats.shapiro(x)
    out["samples"].append(dict(x=x, mean=float(np.mean(x)), sd=float(np.std(x, ddof=1)), shapiro=[float(w), float(wp)], anderson=float(stats.anderson(x, "norm").statistic),
        cut=cut, **{k: None if "--quick" in sys.argv and n > 12 else f() for k, f in [("weibull", lambda: weibull(x, [])), ("weibull_censored", lambda: weibull(y, c)),
            ("normal_censored", lambda: gaussian(y, c, False)), ("lognormal_censored", lambda: gaussian(y, c, True))]}))
for k, n, conf in [(0, 6, .95), (6, 6, .95), (1, 6, .95), (3, 12, .9), (0, 59, .95), (0, 299, .95), (17, 200, .99)]:
    r = stats.binomtest(k, n).proportion_ci(conf, "exact")
    out["rates"].append(dict(k=k, n=n, confidence=conf, low=r.low, high=r.high, upper=1.0 if k == n else float(stats.beta.ppf(conf, k + 1, n - k))))
for a, n1, b, n2 in [(5, 6, 0, 6), (2, 6, 1, 6), (0, 6, 0, 6), (10, 30, 3, 40), (1, 1, 0, 3), (7, 12, 2, 24)]:
    out["fisher"].append(dict(k1=a, n1=n1, k2=b, n2=n2, p=float(stats.fisher_exact([[a, n1 - a], [b, n2 - b]])[1])))
for i, j in [(1, 2), (3, 4), (4, 5), (6, 4)]:
    a, b = out["samples"][i]["x"], out["samples"][j]["x"]
    t = stats.ttest_ind(b, a, equal_var=False)
    l = stats.levene(a, b, center="median")
    g = stats.linregress(range(len(a)), a)
    out["pairs"].append(dict(a=i, b=j, welch=[float(t.statistic), float(t.pvalue)], levene=[float(l.statistic), float(l.pvalue)],
        line=[g.intercept, g.slope, g.stderr, g.pvalue, g.rvalue ** 2]))
for t, nu, d in [(5, 9, 4), (30, 29, 25), (2.5, 3.7, 1.2), (12, 1, 3), (100, 57.3, 90)]:
    out["nct"].append(dict(t=t, nu=nu, delta=d, p=float(stats.nct.cdf(t, nu, d))))
json.dump(out, open("oracle-scipy.json", "w"), indent=1)
print(out["made_by"], file=sys.stderr)
