"""Stadia that share dates known to a week: the posterior beside a dense grid over the likelihood of whole chains of dates, by numpy."""

import numpy as np
import pytest
from scipy import stats

from moltspan import _core


def weekly_chains(seed, animals=8, stadia=5, sigma=0.1):
    """Days of the molts of animals born on day 0, looked at weekly; true lengths 30 days and sigma."""
    random = np.random.default_rng(seed)
    lengths = np.exp(np.log(30) + sigma * random.standard_normal((animals, stadia)))
    return np.cumsum(lengths, axis=1)


def table_of(molts):
    rows, follows = [], []
    for one in molts:
        begin = np.floor(one / 7) * 7
        for k in range(len(one) - 1):
            rows.append((begin[k + 1] - begin[k] - 7, begin[k + 1] - begin[k] + 7))
            follows.append(len(rows) - 2 if k > 0 else -1)
    low, high = np.array(rows).T
    n = len(rows)
    data = _core.StadiaData(low, high, np.full(n, 7.0), np.zeros(n), np.ones((n, 1)), ["Intercept"], np.zeros(0), np.zeros(0),
                            [[], [], [], []], np.full(n, 7.0), follows)
    apart = _core.StadiaData(low, high, np.full(n, 7.0), np.zeros(n), np.ones((n, 1)), ["Intercept"], np.zeros(0), np.zeros(0),
                             [[], [], [], []], np.full(n, 7.0))
    return data, apart


def chained(molts, mean, sigma, parts=3):
    """Log-likelihood of all chains, dates integrated by the midpoint rule with `parts` cells a day."""
    nodes, total = (np.arange(7 * parts) + 0.5) / parts, 0.0
    for one in molts:
        begin, weight = np.floor(one / 7) * 7, np.full(7 * parts, 1 / (7 * parts))
        for k in range(len(one) - 1):
            days = begin[k + 1] - begin[k] + nodes[None, :] - nodes[:, None]
            density = np.where(days > 0, stats.norm.pdf((np.log(np.maximum(days, 1e-9)) - mean) / sigma) / (sigma * np.maximum(days, 1e-9)), 0)
            weight = weight @ density / parts
            total += np.log(max(weight.sum(), 1e-300))
            weight = weight / max(weight.sum(), 1e-300)
    return total


def grid_sigma(molts, priors):
    means, sigmas = np.linspace(3.25, 3.55, 25), np.exp(np.linspace(np.log(0.015), np.log(0.3), 31))
    density = np.array([[chained(molts, m, s) + stats.norm.logpdf(m, priors["Intercept"].mean, priors["Intercept"].sd)
                         + stats.halfnorm.logpdf(s, scale=priors["sigma"].sd) + np.log(s) for s in sigmas] for m in means])
    weight = np.exp(density - density.max()).sum(0)
    weight /= weight.sum()
    mean = weight @ sigmas
    return mean, np.sqrt(weight @ sigmas**2 - mean**2)


def fitted(data):
    options = _core.StadiaOptions()
    options.method, options.threads = _core.Method.bayes, 1
    return _core.fit_stadia(data, options)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_sigma_of_weekly_chains_is_that_of_a_dense_grid(seed):
    """Within .15 of a posterior sd, the cost of a mode that the chain does not move; with each stadium apart it is larger."""
    molts = weekly_chains(seed)
    data, apart = table_of(molts)
    fit = fitted(data)
    mean, sd = grid_sigma(molts, dict(_core.priors_used(fit)))
    assert abs(fit.sigma - mean) < 0.15 * sd
    assert fitted(apart).sigma > fit.sigma
