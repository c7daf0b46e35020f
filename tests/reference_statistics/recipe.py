"""Prints the reference values that tests/reading_outside.rs holds, with numpy and scipy alone.

    python3 tests/reference_statistics/recipe.py      # numpy 1.24, scipy 1.10 printed the values in the tests

The data are those of statsmodels' own tests (test_multivariate.py, values there from Stata; test_tost.py, values there from
R), of pingouin's data set `multivariate` (columns Fever and Aches, and Pressure between them), and two groups of shots made up for this.
"""

import numpy as np
from scipy import optimize, stats

X23 = np.array([(24, 23.5), (25, 24.5), (21, 20.5), (22, 20.5), (23, 22.5), (18, 16.5), (17, 16.5), (28, 27.5), (24, 23.5),
                (27, 25.5), (21, 20.5), (23, 22.5), (20, 19), (23, 22), (21, 20), (25, 24), (18, 17), (17, 16), (18, 17),
                (24, 23), (20, 19), (24, 22), (23, 22), (19, 18)])
X = np.column_stack([list(range(1, 13)) * 2, X23, [1] * 12 + [0] * 12])
Y = np.array([(1.1, 24.1, 23.4, 1.1), (1.9, 25.2, 24.3, 1.2), (3.2, 20.9, 20.2, 1.3), (4.1, 21.8, 20.6, .9),
              (5.2, 23, 22.7, .8), (6.3, 18.1, 16.8, .7), (7.1, 17.2, 16.5, 1), (7.8, 28.3, 27.4, 1.1),
              (9.5, 23.9, 23.3, 1.2), (10.1, 26.8, 25.2, 1.3), (10.5, 26.7, 20.6, .9), (12.1, 23, 22.7, .8),
              (1.1, 20.1, 19, .7), (1.8, 23.2, 22, .1), (3.2, 21.3, 20.3, .2), (4.3, 24.9, 24.2, .3), (5.5, 17.9, 17.1, 0),
              (5.5, 17.8, 16, .6), (7.1, 17.7, 16.7, 0), (7.7, 24, 22.8, .5), (9.1, 20.1, 18.9, 0), (10.2, 24.2, 22.3, .3),
              (11.3, 23.3, 22.2, 0), (11.7, 18.8, 18.1, .1)])
DRUG = np.array([38.4, 18, 36.8, 14, 40, 20, 39.8, 20, 38.6, 25, 39.1, 27, 38.9, 26, 36.8, 8, 40.4, 21, 39.4, 22, 38, 15, 38.6,
                 14, 40.1, 28, 38.1, 22, 37.2, 16, 39.5, 18, 37.3, 13, 39.1, 16]).reshape(-1, 2)
PLACEBO = np.array([40.9, 14, 39.5, 18, 39.4, 24, 38.2, 24, 39.7, 22, 38.9, 30, 38.6, 25, 39.9, 17, 41.3, 18, 38.1, 20, 39.6,
                    19, 37.1, 15, 39.5, 13, 40.3, 25, 41.5, 27, 39.3, 14, 37.6, 16, 40.6, 21]).reshape(-1, 2)
PRESSURE = np.array([[73, 85, 58, 80, 68, 52, 79, 100, 64, 53, 70, 75, 48, 57, 78, 65, 77, 67],
                     [54, 75, 57, 71, 65, 49, 58, 52, 62, 57, 78, 92, 63, 52, 46, 56, 86, 48]])
FLETCHED = np.array([(-12, 8), (5, -3), (9, 14), (-4, -10), (2, 6), (-6, -9)])
BARE = np.array([(-48, -20), (-61, -5), (-40, -31)])
CLINIC_1 = np.array([2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84])
CLINIC_2 = np.array([2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02])
FIVE = np.array([(0, 0), (8, -5), (-6, 9), (3, 4), (70, -40)])


def hotelling_one(a, centre):
    """T2, F and p of one sample."""
    n, p = a.shape
    d = a.mean(0) - centre
    t = n * d @ np.linalg.solve(np.cov(a.T), d)
    f = t * (n - p) / (p * (n - 1))
    return t, f, stats.f.sf(f, p, n - p)


def hotelling_two(a, b):
    """T2, F and p of two samples with a common covariance."""
    n, m, p = len(a), len(b), a.shape[1]
    d = a.mean(0) - b.mean(0)
    s = ((n - 1) * np.cov(a.T) + (m - 1) * np.cov(b.T)) / (n + m - 2)
    t = d @ np.linalg.solve(s * (1 / n + 1 / m), d)
    f = t * (n + m - p - 1) / (p * (n + m - 2))
    return t, f, stats.f.sf(f, p, n + m - p - 1)


def krishnamoorthy_yu(a, b):
    """nu, F and p with unequal covariances (Krishnamoorthy & Yu 2004)."""
    p, n, m = a.shape[1], len(a), len(b)
    one, two = np.cov(a.T) / n, np.cov(b.T) / m
    d, inverse = a.mean(0) - b.mean(0), np.linalg.inv(one + two)
    t = d @ inverse @ d
    spread = sum((np.trace(c @ inverse @ c @ inverse) + np.trace(c @ inverse) ** 2) / (k - 1) for c, k in ((one, n), (two, m)))
    nu = (p + p * p) / spread
    f = t * (nu - p + 1) / (p * nu)
    return nu, f, stats.f.sf(f, p, nu - p + 1)


def isotropic(a, b):
    """s2, F and p with one scatter for both axes and groups."""
    n, m = len(a), len(b)
    d = a.mean(0) - b.mean(0)
    s2 = (((a - a.mean(0)) ** 2).sum() + ((b - b.mean(0)) ** 2).sum()) / (2 * (n + m - 2))
    f = d @ d / (2 * s2 * (1 / n + 1 / m))
    return s2, f, stats.f.sf(f, 2, 2 * (n + m - 2))


def tost_pooled(a, b, limit):
    """p of two one-sided tests with pooled variance, and its degrees of freedom."""
    n, m = len(a), len(b)
    s2 = (((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum()) / (n + m - 2)
    error = np.sqrt(s2 * (1 / n + 1 / m))
    d = a.mean() - b.mean()
    return max(stats.t.sf((d + limit) / error, n + m - 2), stats.t.cdf((d - limit) / error, n + m - 2)), n + m - 2


def geometric_median(points):
    """The place with the least sum of distances."""
    return optimize.minimize(lambda q: np.hypot(*(points - q).T).sum(), np.median(points, axis=0), method="Nelder-Mead",
                             options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 9999}).x


if __name__ == "__main__":
    np.set_printoptions(precision=10)
    print("four columns, two samples", hotelling_two(X, Y))
    print("columns 2 and 3, paired", hotelling_one(X23[:12] - X23[12:], np.zeros(2)))
    print("fever and aches", hotelling_two(DRUG, PLACEBO), krishnamoorthy_yu(DRUG, PLACEBO))
    print("shots, isotropic", isotropic(BARE, FLETCHED), "unequal", krishnamoorthy_yu(BARE, FLETCHED))
    print("clinic, pooled equivalence", tost_pooled(CLINIC_1, CLINIC_2, 0.6))
    print("geometric medians", geometric_median(FIVE), geometric_median(np.array([(0, 0), (1, 0), (0, 1)])))
