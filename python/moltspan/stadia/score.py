"""How good a forecast was. All scores are in days or nats, smaller is better; nothing here draws random numbers."""

from functools import partial

import numpy as np

from moltspan import _core
from moltspan._frames.calls import check_methods

ClusteredMean = _core.ClusteredMean


@partial(check_methods, init=True)
class LogNormalMixture(_core.LogNormalMixture):
    """A mixture of log-normal laws given T > `elapsed_days`: weights, means and sds of log days, one a component."""

    def __init__(self, weights, mean_log, sd_log, elapsed_days=0.0):
        super().__init__(weights, mean_log, sd_log, elapsed_days)


def crps(y_days, mean_log=None, sd_log=None, elapsed_days=0.0, *, weights=None, censored_at_days=None, cdf=None, quantile=None,
         low=0.0, high=None):
    """Continuous ranked probability score of a forecast, for an event at `y_days`; in days.

    Give the forecast in one of three ways:

    * `mean_log`, `sd_log`: log-normal; arrays broadcast with `y_days`. With `elapsed_days` it is the forecast given that this
      time has passed already. With `weights` it is a mixture: `weights`, `mean_log` and `sd_log` have the components along
      their last axis.
    * `cdf`: any distribution function with all of its mass between `low` and `high`.
    * `quantile`: any quantile function.

    `censored_at_days=c` scores min(T, c) against min(y, c), which stays a proper score where the watch ended at c: any
    `y_days` of c or more then stands for "not by c".
    """
    if sum(given is not None for given in (mean_log, cdf, quantile)) != 1:
        raise TypeError("crps: give the forecast in one way: mean_log with sd_log, or cdf, or quantile")
    if cdf is not None:
        return _crps_from_cdf(y_days, cdf, low, high, censored_at_days)
    if quantile is not None:
        return _crps_from_quantiles(y_days, quantile, censored_at_days)
    if sd_log is None:
        raise TypeError("crps: mean_log needs sd_log")
    if weights is not None or (censored_at_days is not None and np.any(np.asarray(elapsed_days) > 0)):
        return _crps_of_mixtures(y_days, weights, mean_log, sd_log, elapsed_days, censored_at_days)
    if censored_at_days is not None:
        return _core.crps_lognormal_censored(y_days, mean_log, sd_log, censored_at_days)
    return _core.crps_lognormal_truncated(y_days, mean_log, sd_log, elapsed_days)


def _each(function, *arrays):
    """The function over broadcast arrays; a plain number where all of them are."""
    result = np.vectorize(function, otypes=[float])(*arrays)
    return float(result) if np.ndim(result) == 0 else result


def _crps_from_cdf(y_days, cdf, low, high, censored_at_days):
    high = high if censored_at_days is None else censored_at_days
    if high is None:
        raise TypeError("crps: cdf needs high, a time by which all of its mass has come")
    return _each(lambda y: _core.crps_from_cdf(y, cdf, low, high), y_days)


def _crps_from_quantiles(y_days, quantile, censored_at_days):
    if censored_at_days is None:
        return _each(lambda y: _core.crps_from_quantiles(y, quantile), y_days)

    def cut(p):
        return min(quantile(p), censored_at_days)

    return _each(lambda y: _core.crps_from_quantiles(min(y, censored_at_days), cut), y_days)


def _components(weights, mean_log, sd_log):
    """Weights, means and sds with the components along the last axis, all of one shape."""
    if weights is None:
        mean_log, sd_log = np.expand_dims(mean_log, -1), np.expand_dims(sd_log, -1)
        weights = 1.0
    return np.broadcast_arrays(np.asarray(weights, float), np.asarray(mean_log, float), np.asarray(sd_log, float))


def _crps_of_mixtures(y_days, weights, mean_log, sd_log, elapsed_days, censored_at_days):
    parts = _components(weights, mean_log, sd_log)
    place = np.arange(int(np.prod(parts[0].shape[:-1], dtype=int))).reshape(parts[0].shape[:-1])
    rows = [part.reshape(-1, part.shape[-1]) for part in parts]

    def one(k, y, elapsed, censored_at):
        forecast = _core.LogNormalMixture(*(row[k] for row in rows), elapsed)
        if np.isinf(censored_at):
            return _core.crps_lognormal_mixture(y, forecast)
        return _core.crps_lognormal_mixture_censored(y, forecast, censored_at)

    return _each(one, place, y_days, elapsed_days, np.inf if censored_at_days is None else censored_at_days)


def log_score(forecast, min_days, max_days=None):
    """-log of the density (`max_days == min_days`), of the mass of (min, max], or of the survival past min (`max_days` blank)."""
    return _core.log_score(forecast, min_days, np.nan if max_days is None else max_days)


def interval_score(y_days, lower, upper, level):
    """Interval score of a central band (Winkler 1972): its width, plus 2 / (1 - level) for each day the event lies outside."""
    return _core.interval_score(y_days, lower, upper, level)


def pit(forecast, min_days, max_days=None):
    """Probability integral transform of an event in (min_days, max_days]: its two ends, equal for an exact event."""
    return _core.pit(forecast, min_days, np.nan if max_days is None else max_days)


def pit_histogram(pits, bins=10):
    """Mean mass in each of `bins` cells of [0, 1], ranges shared out evenly; all 1 / bins when calibrated."""
    return np.array(_core.pit_histogram([tuple(ends) for ends in pits], bins))


def covered_share(forecast, min_days, max_days, lower, upper):
    """Predictive mass of the part of (min_days, max_days] inside the band over that of the whole range; 1 or 0 when exact."""
    return _core.covered_share(forecast, min_days, np.nan if max_days is None else max_days, lower, upper)


def clustered_mean(values, cluster):
    """Mean with its independent and its clustered standard error; `cluster`: the animal of each value, of any type."""
    _, codes = np.unique(np.asarray(cluster).astype(str), return_inverse=True)
    return _core.clustered_mean(np.asarray(values, float).tolist(), codes.tolist())
