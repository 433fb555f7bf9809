"""The hierarchical fit by a second program, for tests/uptake_hierarchy.rs.

Draws synthetic rows (trees, blocks, species, dates with holes, every kind of reading) and fits them
by a dense Gaussian process: all coefficients and effects are summed into one n x n prior covariance
of the rows' expected values, the mode is found by scipy's minimiser and polished with numpy, and the
rest is matrix algebra. The crate never forms that matrix. Log-likelihoods are numerical: F(b) - F(a)
by scipy's special functions, a reading error by Gauss's rule with 1200 nodes.

    python make_hierarchy.py > hierarchy.json      (numpy 2.4.6, scipy 1.17.1)
"""
import datetime as dt
import json

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, log_ndtr, logsumexp

PRIORS = [("intercept", np.log(180), 1.15), ("ln ports", 1.0, 0.3), ("ln dbh", 0.0, 0.3),
          ("ln head", 0.5, 0.5)]
NODES, WEIGHTS = np.polynomial.legendre.leggauss(1200)


def density(residual, x):
    """Log density and its two derivatives in x, for a residual of scale 1."""
    if residual == "normal":
        return -0.5 * x * x - 0.5 * np.log(2 * np.pi), -x, -np.ones_like(x)
    p = expit(x)
    return -np.logaddexp(0, -x) - np.logaddexp(0, x), 1 - 2 * p, -2 * p * (1 - p)


def interval(residual, a, b):
    """ln(F(b) - F(a)) and its first two derivatives along a common shift of a and b."""
    if residual == "logistic":
        value = -np.logaddexp(0, -b) - np.logaddexp(0, a) + (np.log(-np.expm1(a - b)) if b < np.inf and a > -np.inf else 0)
    elif a > 0:
        la, lb = log_ndtr(-a), log_ndtr(-b)
        value = la + np.log(-np.expm1(lb - la))
    else:
        la, lb = log_ndtr(a), log_ndtr(b)
        value = lb + (np.log(-np.expm1(la - lb)) if np.isfinite(a) else 0)
    # The density's share at an end, and the density's slope there.
    ends = []
    for x in (a, b):
        if np.isfinite(x):
            log_p, slope, _ = density(residual, np.float64(x))
            ends.append((np.exp(log_p - value), np.exp(log_p - value) * slope))
        else:
            ends.append((0.0, 0.0))
    first = ends[1][0] - ends[0][0]
    return value, first, ends[1][1] - ends[0][1] - first ** 2


def likelihood(row, residual, scale, f):
    """Log-likelihood of a row and its first two derivatives in f."""
    kind, seen = next(iter(row["seen"].items()))
    if kind == "exactly":
        value, d, dd = density(residual, np.float64((seen - f) / scale))
        return value - np.log(scale), -d / scale, dd / scale ** 2
    low = -np.inf if seen["low"] is None else seen["low"]
    high = np.inf if seen["high"] is None else seen["high"]
    if kind == "between":
        value, d, dd = interval(residual, (low - f) / scale, (high - f) / scale)
        return value, -d / scale, dd / scale ** 2
    centre, error = seen["centre"], seen["error"]
    low, high = max(low, centre - 9 * error), min(high, centre + 9 * error)
    y = 0.5 * (low + high) + 0.5 * (high - low) * NODES
    value, d, dd = density(residual, (y - f) / scale)
    terms = value - np.log(scale) + np.log(0.5 * (high - low) * WEIGHTS)
    terms += -0.5 * ((y - centre) / error) ** 2 - np.log(error * np.sqrt(2 * np.pi))
    total = logsumexp(terms)
    share = np.exp(terms - total)
    first = (share * -d).sum() / scale
    return total, first, ((share * (dd + d * d)).sum()) / scale ** 2 - first ** 2


def days(row):
    return dt.date.fromisoformat(row["date"]).toordinal()


def covariance(v, one, two):
    """Prior covariance of the expected values of two lists of rows, coefficients included."""
    spread = np.diag([sd ** 2 for _, _, sd in PRIORS])
    k = np.array([r["covariates"] for r in one]) @ spread @ np.array([r["covariates"] for r in two]).T
    for i, a in enumerate(one):
        for j, b in enumerate(two):
            gap = abs(days(a) - days(b))
            k[i, j] += v["day_sd"] ** 2 * v["day_correlation"] ** gap
            k[i, j] += v["block_sd"] ** 2 * (a["block"] == b["block"])
            k[i, j] += v["species_sd"] ** 2 * (a["species"] == b["species"])
            k[i, j] += tree_covariance(v, a, b)
    return k


def tree_covariance(v, a, b):
    if a["tree_id"] != b["tree_id"]:
        return 0.0
    gap = abs(days(a) - days(b))
    return v["tree_sd"] ** 2 + v["drift_sd"] ** 2 * np.exp(-gap / v["drift_days"])


def prior_mean(rows):
    return np.array([r["covariates"] for r in rows]) @ np.array([m for _, m, _ in PRIORS])


def fit(rows, v):
    """Mode of the rows' expected values by whitened minimisation, then Newton on the dense matrix."""
    k, m = covariance(v, rows, rows), prior_mean(rows)
    root = np.linalg.cholesky(k + 1e-13 * np.eye(len(rows)))

    def all_rows(f):
        return np.array([likelihood(r, v["residual"], v["scale"], x) for r, x in zip(rows, f)]).T

    def loss(u):
        value, slope, _ = all_rows(m + root @ u)
        return 0.5 * u @ u - value.sum(), u - root.T @ slope

    u = minimize(loss, np.zeros(len(rows)), jac=True, method="BFGS", options=dict(gtol=1e-7, maxiter=5000)).x
    for _ in range(8):
        _, slope, curve = all_rows(m + root @ u)
        hessian = np.eye(len(rows)) + root.T @ (-curve[:, None] * root)
        u = u - np.linalg.solve(hessian, u - root.T @ slope)
    value, slope, curve = all_rows(m + root @ u)
    assert np.abs(u - root.T @ slope).max() < 1e-10
    w = -curve
    sign, log_det = np.linalg.slogdet(np.eye(len(rows)) + k * w[None, :])
    return dict(rows=rows, v=v, f=m + root @ u, pull=slope, w=w, k=k,
                log_likelihood=value.sum(), log_evidence=value.sum() - 0.5 * u @ u - 0.5 * log_det)


def conditioned(post, cross, own):
    """Mean shift and covariance of anything with this prior covariance with the rows (n x t)."""
    root = np.sqrt(post["w"])
    inner = np.eye(len(root)) + root[:, None] * post["k"] * root[None, :]
    return cross.T @ post["pull"], own - (root[:, None] * cross).T @ np.linalg.solve(inner, root[:, None] * cross)


def predict(post, targets):
    shift, cov = conditioned(post, covariance(post["v"], post["rows"], targets), covariance(post["v"], targets, targets))
    return prior_mean(targets) + shift, cov


def tree_effect(post, tree_id, date):
    target = dict(tree_id=tree_id, date=date)
    cross = np.array([[tree_covariance(post["v"], r, target)] for r in post["rows"]])
    mean, var = conditioned(post, cross, np.array([[tree_covariance(post["v"], target, target)]]))
    return mean[0], np.sqrt(var[0, 0])


def coefficients(post):
    sds = np.array([sd for _, _, sd in PRIORS])
    cross = np.array([r["covariates"] for r in post["rows"]]) * sds ** 2
    shift, cov = conditioned(post, cross, np.diag(sds ** 2))
    return np.array([m for _, m, _ in PRIORS]) + shift, cov


def simulate(seed, v, n, trees, blocks, dates):
    rng = np.random.default_rng(seed)
    first = dt.date(2025, 5, 3)
    calendar = [first + dt.timedelta(days=int(d)) for d in np.cumsum(rng.integers(1, 9, dates))]
    own = [dict(tree_id=f"tree {i:02d}", block=f"block {i % blocks}", species=("elm", "walnut", "")[i % 3],
                dbh=float(np.exp(rng.normal(3.4, 0.4)))) for i in range(trees)]
    rows = []
    for i in range(n):
        tree, date = own[int(rng.integers(trees))], calendar[int(rng.integers(dates))]
        ports, head = int(rng.integers(4, 13)), float(rng.uniform(0.8, 2.5))
        covariates = [1.0, float(np.log(ports)), float(np.log(tree["dbh"] / 30)), float(np.log(head / 1.5))]
        rows.append(dict(draw_id=f"d{i}", tree_id=tree["tree_id"], block=tree["block"], species=tree["species"],
                         date=date.isoformat(), covariates=covariates))
    f = prior_mean(rows) + np.linalg.cholesky(covariance(v, rows, rows) + 1e-12 * np.eye(n)) @ rng.normal(size=n)
    for row, expected in zip(rows, f):
        noise = rng.normal() if v["residual"] == "normal" else rng.logistic()
        y = float(expected + v["scale"] * noise)
        low, high = y - float(rng.uniform(0.02, 0.5)), y + float(rng.uniform(0.02, 0.5))
        kind = rng.choice(5, p=[0.55, 0.13, 0.12, 0.08, 0.12])
        reading = float(rng.uniform(0.03, 0.15))
        row["seen"] = [dict(between=dict(low=low, high=high)), dict(between=dict(low=None, high=high)),
                       dict(between=dict(low=low, high=None)), dict(exactly=y),
                       dict(measured=dict(centre=y + reading * float(rng.normal()), error=reading,
                                          low=None, high=None if rng.random() < 0.5 else y + 0.4))][kind]
    return rows, own


def case(name, seed, v, n, trees, blocks, dates):
    rows, own = simulate(seed, v, n, trees, blocks, dates)
    post = fit(rows, v)
    seen = sorted({r["tree_id"] for r in rows})
    known = sorted({r["date"] for r in rows})
    shift = lambda date, k: (dt.date.fromisoformat(date) + dt.timedelta(days=k)).isoformat()
    free = next(shift(known[0], k) for k in range(1, 60) if shift(known[0], k) not in known)
    of = {o["tree_id"]: o for o in own}
    x = [1.0, float(np.log(8)), 0.2, 0.1]
    target = lambda tree, block, species, date, x=x: dict(tree_id=tree, block=block, species=species, date=date, covariates=x)
    own_of = lambda i: of[seen[i % len(seen)]]
    seen_at = lambda i, date, x=x: target(own_of(i)["tree_id"], own_of(i)["block"], own_of(i)["species"], date, x)
    targets = [seen_at(0, known[-1]), seen_at(0, shift(known[-1], 1)), seen_at(1, shift(known[-1], 30)),
               seen_at(2, free), seen_at(2, shift(known[0], -4)),
               target("new a", "block 0", "elm", known[-1]), target("new b", "block new", "oak", shift(known[-1], 1)),
               target("new c", "block new", "oak", shift(known[-1], 2), [1.0, float(np.log(4)), -0.5, -0.3]),
               target("new a", "block 0", "elm", shift(known[-1], 3)), target(seen[0], "block new", "elm", free),
               target("new d", "block other", "", known[0])]
    mean, cov = predict(post, targets)
    beta, beta_cov = coefficients(post)
    effects = [dict(tree_id=t, date=d, mean=e[0], sd=e[1]) for t in sorted({seen[0], seen[len(seen) // 2], seen[-1]})
               for d in (known[0], free, shift(known[-1], 12)) for e in [tree_effect(post, t, d)]]
    return dict(name=name, variances=v, priors=[dict(name=n, mean=float(m), sd=sd) for n, m, sd in PRIORS], rows=rows,
                coefficients=beta.tolist(), coefficient_covariance=beta_cov.tolist(),
                expected=post["f"].tolist(), log_likelihood=float(post["log_likelihood"]),
                log_evidence=float(post["log_evidence"]), targets=targets, mean=mean.tolist(),
                covariance=cov.tolist(), tree_effects=effects)


BASE = dict(residual="logistic", scale=0.15, tree_sd=0.5, drift_sd=0.22, drift_days=20.0, block_sd=0.21,
            species_sd=0.25, day_sd=0.22, day_correlation=0.65)
cases = [case("logistic", 11, BASE, 90, 14, 3, 16),
         case("normal", 12, dict(BASE, residual="normal", scale=0.3, drift_sd=0.35, drift_days=9.0), 70, 9, 4, 12),
         case("five rows", 13, dict(BASE, scale=0.1, day_sd=0.4), 5, 4, 2, 3)]
print(json.dumps(cases, indent=0))
