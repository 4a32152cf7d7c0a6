"""Posterior of the growth model on a tiny table, without chains, trees or expectation propagation.

    python tests/reference/growth_latent_tiny/dense.py        # writes answers.json; numpy and scipy

Given the three spreads all log readings are jointly Gaussian, with a dense covariance matrix written down term by term. Readings that are
not rounded: closed-form algebra on a fine grid over the log spreads. Rounded readings: the probability of the box that the rounding leaves,
and the mean and variance of the size after the next molt within it, by sequential conditioning (Geweke, Hajivassiliou, Keane) on 2^13
Sobol points, on a coarser grid.
"""

import csv
import json
from pathlib import Path

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import norm, qmc

HERE = Path(__file__).parent
BIAS, STEP, FLAT = -0.05, 5.0, 1e4
RATIO_MEAN, RATIO_SD = np.log(1.30), 0.12
PROCESS_SCALE, ANIMAL_SCALE, READING, READING_SPREAD = 0.08, 0.05, 0.06, 0.35


def read():
    rows = list(csv.DictReader(open(HERE / "readings.csv")))
    return [(int(row["animal"]), int(row["instar"]), float(row["size_mm"]), float(row["rounded_mm"])) for row in rows]


def log_prior(process, reading, animal):
    """Of the log spreads."""
    half = lambda scale, sd: np.log(2) + norm.logpdf(sd, 0, scale) + np.log(sd)
    return half(PROCESS_SCALE, process) + half(ANIMAL_SCALE, animal) + norm.logpdf(np.log(reading), np.log(READING), READING_SPREAD)


def latent(rows, last):
    """Means and the parts of the covariance of (readings, next sizes, population log ratio): covariance = sum of spread^2 * part."""
    animals = sorted({row[0] for row in rows})
    points = [(a, k, 1.0, 1.0) for a, k, *_ in rows] + [(a, last[a] + 1, 1.0, 0.0) for a in animals] + [(None, 1, 0.0, 0.0)]
    k = np.array([p[1] for p in points], float)
    same = np.array([[p[0] == q[0] and p[0] is not None for q in points] for p in points], float)
    sizes = np.array([p[2] for p in points])
    mean = k * RATIO_MEAN
    start = FLAT * same
    ratio = RATIO_SD**2 * np.outer(k, k)
    own = same * np.outer(k, k)
    walk = same * np.minimum.outer(k, k)
    error = np.diag([p[3] for p in points])
    return mean, start + ratio, own, walk, error, animals


def grid(n, rows):
    """Log spreads on a grid that holds all of the posterior mass, trapezoid weights."""
    axes = [np.linspace(np.log(low), np.log(high), n) for low, high in ((5e-4, 0.45), (0.015, 0.20), (5e-4, 0.30))]
    mesh = np.stack(np.meshgrid(*axes, indexing="ij"), -1).reshape(-1, 3)
    return mesh, np.prod([axis[1] - axis[0] for axis in axes])


def summary(mesh, cell, log_weight, means, variances):
    top = log_weight.max()
    weight = np.exp(log_weight - top)
    evidence = top + np.log(weight.sum() * cell)
    weight /= weight.sum()
    spreads = np.exp(mesh)
    mean = weight @ means
    sd = np.sqrt(weight @ (variances + (means - mean) ** 2))
    spread_mean = weight @ spreads
    return {"log_evidence": evidence, "spread_mean": spread_mean.tolist(), "spread_sd": np.sqrt(weight @ (spreads - spread_mean) ** 2).tolist(),
            "next_mean": mean[:-1].tolist(), "next_sd": sd[:-1].tolist(), "log_ratio": [mean[-1], sd[-1]]}


def parts_of(rows):
    last = {}
    for a, k, *_ in rows:
        last[a] = max(k, last.get(a, 0))
    return latent(rows, last)


def covariance_at(parts, log_spreads):
    process, reading, animal = np.exp(2 * log_spreads)
    _, fixed, own, walk, error, _ = parts
    return fixed + animal * own + process * walk + reading * error


def exact(rows, n=46):
    parts = parts_of(rows)
    mean, m = parts[0], len(rows)
    y = np.log([row[2] for row in rows]) - np.log(20) - BIAS
    mesh, cell = grid(n, rows)
    out = []
    for log_spreads in mesh:
        cov = covariance_at(parts, log_spreads)
        chol = np.linalg.cholesky(cov[:m, :m])
        z = np.linalg.solve(chol, y - mean[:m])
        gain = np.linalg.solve(chol, cov[:m, m:])
        value = -0.5 * z @ z - np.log(np.diag(chol)).sum() - 0.5 * m * np.log(2 * np.pi) + log_prior(*np.exp(log_spreads))
        out.append((value, mean[m:] + gain.T @ z, np.diag(cov[m:, m:]) - (gain**2).sum(0)))
    return summary(mesh, cell, np.array([o[0] for o in out]), np.array([o[1] for o in out]), np.array([o[2] for o in out]))


def box(rows, cov, mean, uniforms):
    """Log probability of the box, and moments of what follows the readings, by sequential conditioning."""
    m = len(rows)
    value = np.array([row[3] for row in rows])
    low, high = (np.log((value + side * STEP / 2) / 20) - BIAS for side in (-1, 1))
    chol = np.linalg.cholesky(cov[:m, :m])
    z, log_p = np.zeros((len(uniforms), m)), np.zeros(len(uniforms))
    for i in range(m):
        center = mean[i] + z[:, :i] @ chol[i, :i]
        a, b = (low[i] - center) / chol[i, i], (high[i] - center) / chol[i, i]
        flip = np.where(a > 0, -1.0, 1.0)  # stay in the tail where differences keep their digits
        a, b = np.where(a > 0, -b, a), np.where(a > 0, -a, b)
        p = ndtr(b) - ndtr(a)
        log_p += np.log(np.maximum(p, 1e-300))
        z[:, i] = flip * ndtri(np.clip(ndtr(a) + uniforms[:, i] * p, 1e-300, 1 - 1e-16))
    weight = np.exp(log_p - log_p.max())
    total = log_p.max() + np.log(weight.mean())
    weight /= weight.sum()
    gain = np.linalg.solve(chol, cov[:m, m:])
    following = mean[m:] + z @ gain
    center = weight @ following
    return total, center, np.diag(cov[m:, m:]) - (gain**2).sum(0) + weight @ (following - center) ** 2


def rounded(rows, n=14):
    parts = parts_of(rows)
    uniforms = qmc.Sobol(len(rows), seed=1).random_base2(13)
    mesh, cell = grid(n, rows)
    out = []
    for log_spreads in mesh:
        value, center, variance = box(rows, covariance_at(parts, log_spreads), parts[0], uniforms)
        out.append((value + log_prior(*np.exp(log_spreads)), center, variance))
    return summary(mesh, cell, np.array([o[0] for o in out]), np.array([o[1] for o in out]), np.array([o[2] for o in out]))


if __name__ == "__main__":
    rows = read()
    answers = {"order_of_spreads": ["process_sd", "reading_sd", "animal_sd"], "exact": exact(rows), "rounded": rounded(rows)}
    json.dump(answers, open(HERE / "answers.json", "w"), indent=1)
    print(json.dumps(answers, indent=1))
