"""Log-likelihoods and their derivatives to 40 digits, for tests/uptake_likelihood.rs.

Each entry is a log-likelihood of what was seen of y = f + e, written straight from its definition
(F(b) - F(a), or an integral over a reading error) in mpmath with 60 digits; the derivatives in f
and in ln scale are mpmath's numerical ones of that definition. No algebra is shared with the crate.

    python make_likelihood.py > likelihood.json      (mpmath 1.3.0, numpy 2.4.6)
"""
import json

import mpmath as mp
import numpy as np

mp.mp.dps = 60
INF = mp.inf
NODES = [(mp.mpf(x), mp.mpf(w)) for x, w in zip(*np.polynomial.legendre.leggauss(30))]


def cdf(kind, x):
    if x == INF or x == -INF:
        return mp.mpf(x > 0)
    return mp.ncdf(x) if kind == "normal" else 1 / (1 + mp.exp(-x))


def above(kind, x):
    return cdf(kind, -x)


def pdf(kind, x):
    return mp.npdf(x) if kind == "normal" else mp.exp(-abs(x)) / (1 + mp.exp(-abs(x))) ** 2


def between(kind, f, s, low, high):
    a, b = (low - f) / s, (high - f) / s
    # The difference on the side where both are small: with 60 digits it never loses more than 20.
    if a > 0:
        return mp.log(above(kind, a) - above(kind, b))
    return mp.log(cdf(kind, b) - cdf(kind, a))


def exactly(kind, f, s, y):
    return mp.log(pdf(kind, (y - f) / s) / s)


def measured(kind, f, s, centre, error, low, high):
    low, high = max(low, centre - 12 * error), min(high, centre + 12 * error)
    # Gauss's rule with 30 nodes on each of 24 pieces.
    total, width = mp.mpf(0), (high - low) / 24
    for piece in range(24):
        for x, weight in NODES:
            y = low + width * (piece + (x + 1) / 2)
            reading = mp.exp(-((y - centre) / error) ** 2 / 2) / (error * mp.sqrt(2 * mp.pi))
            total += weight / 2 * width * pdf(kind, (y - f) / s) / s * reading
    return mp.log(total)


def slopes(value):
    """value(f, ln s) -> all derivatives, by mpmath's central differences at 60 digits."""
    d = lambda n: mp.diff(value, (mp.mpf(0), mp.mpf(0)), n)
    return dict(value=value(mp.mpf(0), mp.mpf(0)), f=d((1, 0)), ff=d((2, 0)), s=d((0, 1)),
                ss=d((0, 2)), fs=d((1, 1)))


def entry(seen, residual, f, scale, value):
    found = slopes(lambda df, ds: value(mp.mpf(f) + df, mp.mpf(scale) * mp.exp(ds)))
    numbers = {name: float(x) for name, x in found.items()}
    return dict(seen=seen, residual=residual, expected=f, scale=scale, slopes=numbers)


def end(x):
    return None if x in (INF, -INF) else float(x)


out = []
for residual in ("logistic", "normal"):
    f, s = 0.25, 0.125  # both exact in binary, so that a and b are what they say
    pairs = [(-1, 1), (-0.5, 2), (0, 0.25), (3, 3.5), (-6, -2), (-12, -11), (11, 12), (-40, -39.5),
             (39.5, 40), (-40, 40), (-40, -2), (2, 40), (-31, -29), (29, 31), (-30.5, -30.25),
             (5, 5.001953125), (-20, -19.998046875), (1, 1.000244140625), (38, 38.000244140625),
             (-1, 39), (0, 1.0 / 16384), (20, 20 + 1.0 / 32768),
             (-INF, 0), (-INF, -5), (-INF, -12), (-INF, -29.75), (-INF, -30.25), (-INF, -40),
             (-INF, 12), (-INF, 40), (0, INF), (5, INF), (12, INF), (29.75, INF), (30.25, INF),
             (40, INF), (-12, INF), (-40, INF)]
    for a, b in pairs:
        low, high = f + s * mp.mpf(a), f + s * mp.mpf(b)
        seen = {"between": {"low": end(low), "high": end(high)}}
        out.append(entry(seen, residual, f, s,
                         lambda f, s, low=low, high=high, r=residual: between(r, f, s, low, high)))
    for x in (0, 0.5, -3, 8, -40, 40):
        y = f + s * mp.mpf(x)
        out.append(entry({"exactly": float(y)}, residual, f, s,
                         lambda f, s, y=y, r=residual: exactly(r, f, s, y)))
    # Reading errors from a hundredth of the residual's scale to four times it.
    mp.mp.dps = 30
    for x, error, low, high in [(0, 0.125, -INF, INF), (1, 0.03125, -INF, INF), (-4, 0.25, -INF, INF),
                                (2, 0.5, -INF, INF), (0.5, 0.001, -INF, INF), (0, 0.25, -0.125, 0.5),
                                (3, 0.125, -INF, 0.5), (-9, 0.0625, -INF, INF), (12, 0.125, 1.5, INF)]:
        centre = f + s * mp.mpf(x)
        low, high = mp.mpf(low), mp.mpf(high)
        seen = {"measured": {"centre": float(centre), "error": error, "low": end(low), "high": end(high)}}
        out.append(entry(seen, residual, f, s,
                         lambda f, s, c=centre, e=mp.mpf(error), low=low, high=high, r=residual:
                         measured(r, f, s, c, e, low, high)))
    mp.mp.dps = 60
print("[\n" + ",\n".join(json.dumps(e) for e in out) + "\n]")
