"""A long Markov chain of the Bayesian mixed model of growth, with numpy, scipy and emcee alone: answers.json.

    python sample.py        (some minutes)

readings.csv (invented, seed 20): 6 animals, 5 instars, leg spans as they are (size_mm) and rounded to 5 mm (rounded_mm). Model:
log size = b0 + b1 instar + a_i + g_i instar + sigma e, (a, g) normal with sds s0, s1 and correlation r. Priors: b0 N(2.3, 2.5),
b1 N(.25, .35), sigma, s0, s1 half-normal(.2, .5, .1), r uniform. `exact`: effects integrated out by a dense covariance, 6 parameters.
`rounded`: effects sampled too (18 parameters), a reading says that its value lay within 2.5 mm. `next`: quantiles of the next reading, at
instar 6, of the first animal and of a new one, from the mean of the normal distribution functions over the draws. `mcse`: batch means.
"""

import csv
import json
from pathlib import Path

import emcee
import numpy as np
from scipy.optimize import brentq
from scipy.special import log_ndtr, ndtr

HERE = Path(__file__).parent
SEED, ANIMALS, INSTARS, STEP = 20, 6, np.arange(1.0, 6.0), 5.0
NAMES = ["Intercept", "instar", "sigma", "animal_sd[Intercept]", "animal_sd[instar]", "animal_correlation"]
LEVELS = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
Z = np.column_stack([np.ones(5), INSTARS])
ASKED = np.array([1.0, 6.0])


def readings():
    """Written once; the file stands beside this script."""
    rng = np.random.default_rng(SEED)
    rows = []
    for animal in range(ANIMALS):
        start, ratio = 2.3 + rng.normal(0, 0.15), 0.26 + rng.normal(0, 0.03)
        for k in INSTARS:
            size = np.exp(start + ratio * k + rng.normal(0, 0.05))
            rows.append((animal, int(k), round(size, 3), STEP * max(round(size / STEP), 1)))
    with open(HERE / "readings.csv", "w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([("animal", "instar", "size_mm", "rounded_mm"), *rows])


def spreads(theta):
    """sigma, Cholesky factor of the effects' covariance and r of one or many parameter vectors (last axis)."""
    sigma, s0, s1, r = np.exp(theta[..., 2]), np.exp(theta[..., 3]), np.exp(theta[..., 4]), np.tanh(theta[..., 5])
    factor = np.stack([np.stack([s0, 0 * s0], -1), np.stack([r * s1, np.sqrt(1 - r * r) * s1], -1)], -2)
    return sigma, factor


def log_prior(theta):
    sds = np.exp(theta[..., 2:5])
    total = -0.5 * ((theta[..., 0] - 2.3) / 2.5) ** 2 - 0.5 * ((theta[..., 1] - 0.25) / 0.35) ** 2
    total += np.sum(-0.5 * (sds / [0.2, 0.5, 0.1]) ** 2 + theta[..., 2:5], -1) - 2 * np.log(np.cosh(theta[..., 5]))
    return np.where(np.all(np.abs(theta[..., :6]) < 15, -1), total, -np.inf)


def exact_posterior(theta, y):
    theta = np.clip(theta, -15, 15)
    sigma, factor = spreads(theta)
    half = Z @ factor
    v = half @ np.swapaxes(half, -1, -2) + sigma[:, None, None] ** 2 * np.eye(5)
    root = np.linalg.cholesky(v + 1e-14 * np.eye(5))
    rest = np.linalg.solve(root, np.swapaxes(y - (theta[:, :2] @ Z.T)[:, None, :], -1, -2))
    return log_prior(theta) - 0.5 * np.sum(rest**2, (-1, -2)) - ANIMALS * np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(-1)


def log_interval(a, b):
    flip = a > 0
    a, b = np.where(flip, -b, a), np.where(flip, -a, b)
    high = log_ndtr(b)
    return high + np.log(-np.expm1(log_ndtr(a) - high))


def rounded_posterior(theta, low, high):
    theta = np.clip(theta, -15, 15)
    sigma, factor = spreads(theta)
    white = theta[:, 6:].reshape(-1, ANIMALS, 2)
    line = (theta[:, None, :2] + white @ np.swapaxes(factor, -1, -2)) @ Z.T
    s = sigma[:, None, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        inside = np.sum(log_interval((low - line) / s, (high - line) / s), (1, 2))
    return np.where(np.isfinite(inside), log_prior(theta) - 0.5 * np.sum(white**2, (1, 2)) + inside, -np.inf)


def chain(log_posterior, start, arguments, steps, seed):
    np.random.seed(seed)
    walkers = 4 * len(start)
    first = start + 0.05 * np.random.normal(size=(walkers, len(start)))
    moves = [(emcee.moves.DEMove(), 0.7), (emcee.moves.StretchMove(), 0.3)]
    sampler = emcee.EnsembleSampler(walkers, len(start), log_posterior, args=arguments, moves=moves, vectorize=True)
    sampler.run_mcmc(first, steps)
    return sampler.get_chain(discard=steps // 5, thin=10)


def known_moments(theta, y):
    sigma, factor = spreads(theta)
    half = Z @ factor
    gain = np.linalg.solve(half @ half.T + sigma**2 * np.eye(5), half @ factor.T @ ASKED)
    mean = theta[:2] @ ASKED + gain @ (y[0] - Z @ theta[:2])
    own = factor.T @ ASKED
    return mean, own @ own - gain @ (half @ factor.T @ ASKED) + sigma**2


def new_moments(theta):
    sigma, factor = spreads(theta)
    own = factor.T @ ASKED
    return theta[:2] @ ASKED, own @ own + sigma**2


def quantiles(moments):
    mean, sd = moments[:, 0], np.sqrt(moments[:, 1])
    return [brentq(lambda at, p=p: ndtr((at - mean) / sd).mean() - p, mean.min() - 9 * sd.max(), mean.max() + 9 * sd.max()) for p in LEVELS]


def batch_error(values):
    """Monte Carlo error of a mean: 20 batches along the chain."""
    means = np.array([part.mean() for part in np.array_split(values, 20)])
    return float(means.std(ddof=1) / np.sqrt(20))


def answers(draws, known):
    """`draws`: kept steps x walkers x parameters."""
    flat = draws.reshape(-1, draws.shape[2])
    values = np.column_stack([flat[:, :2], np.exp(flat[:, 2:5]), np.tanh(flat[:, 5])]).reshape(*draws.shape[:2], 6)
    some = flat[:: max(1, len(flat) // 20000)]
    next_quantiles = {"known": quantiles(np.array([known(theta) for theta in some])), "new": quantiles(np.array([new_moments(t) for t in some]))}
    return {"mean": dict(zip(NAMES, values.mean((0, 1)).tolist(), strict=True)), "sd": dict(zip(NAMES, values.std((0, 1)).tolist(), strict=True)),
            "mcse": {name: batch_error(values[:, :, i]) for i, name in enumerate(NAMES)}, "next": next_quantiles}


def rounded_known(theta):
    sigma, factor = spreads(theta)
    return (theta[:2] + factor @ theta[6:8]) @ ASKED, sigma**2


def main():
    if not (HERE / "readings.csv").exists():
        readings()
    rows = list(csv.DictReader(open(HERE / "readings.csv")))
    exact, rounded = (np.array([float(row[name]) for row in rows]).reshape(ANIMALS, 5) for name in ("size_mm", "rounded_mm"))
    start = np.array([2.3, 0.26, np.log(0.05), np.log(0.15), np.log(0.03), 0.0])
    y = np.log(exact)
    result = {"levels": LEVELS, "exact": answers(chain(exact_posterior, start, (y,), 20000, 1), lambda theta: known_moments(theta, y))}
    bounds = np.log(rounded - STEP / 2), np.log(rounded + STEP / 2)
    draws = chain(rounded_posterior, np.concatenate([start, np.zeros(12)]), bounds, 60000, 2)
    result["rounded"] = answers(draws, rounded_known)
    (HERE / "answers.json").write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
