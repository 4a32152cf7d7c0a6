"""The case `exact` of sample.py on a dense grid over the four spreads, coefficients by exact algebra: a check of the chain (numpy alone).

    python grid.py        (a minute; prints mean and sd of each parameter)
"""

import csv
from pathlib import Path

import numpy as np

ROWS = list(csv.DictReader(open(Path(__file__).parent / "readings.csv")))
Y = np.log([float(row["size_mm"]) for row in ROWS]).reshape(6, 5)
Z = np.column_stack([np.ones(5), np.arange(1.0, 6.0)])
MEAN, PRECISION = np.array([2.3, 0.25]), np.diag([1 / 2.5**2, 1 / 0.35**2])
AXES = np.linspace(-3.8, -1.8, 31), np.linspace(-6.5, 0.6, 48), np.linspace(-8, -0.8, 48), np.linspace(-3.5, 3.5, 29)


def at(log_sigma, log_s0, log_s1, z):
    """Log posterior, mean and variance of the coefficients at each point."""
    s, s0, s1, r = np.exp(log_sigma), np.exp(log_s0), np.exp(log_s1), np.tanh(z)
    own = np.moveaxis(np.array([[s0 * s0, r * s0 * s1], [r * s0 * s1, s1 * s1]]), -1, 0)
    v = Z @ own @ Z.T + (s**2)[:, None, None] * np.eye(5)
    inverse = np.linalg.inv(v)
    weighed = Z.T @ inverse
    information = 6 * weighed @ Z + PRECISION
    side = weighed @ Y.sum(0) + PRECISION @ MEAN
    covariance = np.linalg.inv(information)
    mean = np.einsum("nij,nj->ni", covariance, side)
    squares = np.einsum("ai,nij,aj->n", Y, inverse, Y) - np.einsum("ni,ni->n", side, mean)
    log_likelihood = -0.5 * (6 * np.linalg.slogdet(v)[1] + squares + np.linalg.slogdet(information)[1])
    sds = np.array([s / 0.2, s0 / 0.5, s1 / 0.1])
    return log_likelihood - 0.5 * (sds**2).sum(0) + log_sigma + log_s0 + log_s1 - 2 * np.log(np.cosh(z)), mean, np.diagonal(covariance, axis1=1, axis2=2)


def main():
    points = np.array([axis.ravel() for axis in np.meshgrid(*AXES, indexing="ij")])
    parts = [at(*part) for part in np.array_split(points, 200, axis=1)]
    log_posterior, mean, variance = (np.concatenate([part[i] for part in parts]) for i in range(3))
    weight = np.exp(log_posterior - log_posterior.max())
    weight /= weight.sum()
    for name, value in (("sigma", np.exp(points[0])), ("animal_sd[Intercept]", np.exp(points[1])), ("animal_sd[instar]", np.exp(points[2])),
                        ("animal_correlation", np.tanh(points[3]))):
        center = weight @ value
        print(f"{name} {center:.5f} {np.sqrt(weight @ value**2 - center**2):.5f}")
    for k, name in enumerate(("Intercept", "instar")):
        center = weight @ mean[:, k]
        print(f"{name} {center:.5f} {np.sqrt(weight @ (variance[:, k] + (mean[:, k] - center) ** 2)):.5f}")


if __name__ == "__main__":
    main()
