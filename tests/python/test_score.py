import math

import numpy as np
import pytest
from scipy import integrate, stats

import moltspan
from moltspan.stadia import score


def by_definition(cdf, y, low, high):
    """int (F - 1(t >= y))^2 by scipy: the outside answer."""
    below = integrate.quad(lambda t: cdf(t) ** 2, low, y, epsabs=1e-12, limit=200)[0]
    return below + integrate.quad(lambda t: (1 - cdf(t)) ** 2, y, high, epsabs=1e-12, limit=200)[0]


# Computed for the project's methods notes by numerical integration in R 4.2.2, printed to 10 decimals.
TRUNCATED = [((60, 4, 0.3, 40), 3.6346919831), ((90, 4, 0.3, 70), 5.5882529007), ((150, 4, 0.5, 120), 7.2269706036),
             ((45, 4, 0.25, 44), 8.9129214661)]


@pytest.mark.parametrize(("arguments", "expected"), TRUNCATED)
def test_truncated_crps_meets_values_from_numerical_integration(arguments, expected):
    assert moltspan.crps(*arguments) == pytest.approx(expected, abs=1e-9)


def test_crps_broadcasts_over_animals():
    values = moltspan.crps([60, 90], 4, 0.3, [40, 70])
    np.testing.assert_allclose(values, [TRUNCATED[0][1], TRUNCATED[1][1]], atol=1e-9)
    assert isinstance(moltspan.crps(60, 4, 0.3), float)


def test_crps_of_a_mixture_meets_its_definition():
    law = [stats.lognorm(0.2, scale=math.exp(4)), stats.lognorm(0.3, scale=math.exp(4.4))]

    def cdf(t):
        return 0.25 * law[0].cdf(t) + 0.75 * law[1].cdf(t)

    # 1e-8: what scipy's quadrature of the definition is good for.
    value = moltspan.crps(60, [4, 4.4], [0.2, 0.3], weights=[1, 3])
    assert value == pytest.approx(by_definition(cdf, 60, 0, 1000), rel=1e-8)
    censored = moltspan.crps(200, [4, 4.4], [0.2, 0.3], weights=[1, 3], censored_at_days=75)
    assert censored == pytest.approx(by_definition(cdf, 75, 0, 75), rel=1e-8)


def test_crps_of_many_mixtures_is_that_of_each():
    means = np.array([[4, 4.4], [3.8, 4.1]])
    together = moltspan.crps([60, 50], means, 0.3, [40, 20], weights=[0.5, 0.5])
    apart = [moltspan.crps(60, means[0], 0.3, 40, weights=[0.5, 0.5]), moltspan.crps(50, means[1], 0.3, 20, weights=[0.5, 0.5])]
    np.testing.assert_allclose(together, apart, rtol=1e-14)


def test_crps_of_any_function_meets_the_closed_form():
    law = stats.lognorm(0.3, scale=math.exp(4))
    expected = moltspan.crps(60, 4, 0.3)
    assert moltspan.crps(60, cdf=law.cdf, high=2000) == pytest.approx(expected, rel=1e-9)
    assert moltspan.crps(60, quantile=law.ppf) == pytest.approx(expected, rel=1e-7)
    assert moltspan.crps(90, cdf=law.cdf, censored_at_days=70) == pytest.approx(moltspan.crps(90, 4, 0.3, censored_at_days=70), rel=1e-9)


def test_crps_given_time_passed_and_censored_looks_at_both():
    law = stats.lognorm(0.3, scale=math.exp(4))
    conditional = moltspan.crps(60, 4, 0.3, 50, censored_at_days=70)

    def cdf(t):
        return max(0, (law.cdf(t) - law.cdf(50)) / law.sf(50))

    assert conditional == pytest.approx(by_definition(cdf, 60, 50, 70), rel=1e-8)


@pytest.mark.parametrize("forecast", [{}, {"mean_log": 4}, {"mean_log": 4, "sd_log": 0.3, "cdf": abs}, {"cdf": abs}])
def test_crps_refuses_half_a_forecast(forecast):
    with pytest.raises(TypeError, match="crps"):
        moltspan.crps(60, **forecast)


@pytest.mark.parametrize(("arguments", "name"), [((-1, 4, 0.3), "y_days"), ((60, 4, 0), "sd_log"), ((60, math.nan, 1), "mean_log"),
                                                 ((30, 4, 0.3, 40), "elapsed_days")])
def test_crps_names_the_argument_that_is_wrong(arguments, name):
    with pytest.raises(ValueError, match=name):
        moltspan.crps(*arguments)


def test_scores_of_a_mixture_forecast_meet_scipy():
    law = stats.lognorm(0.3, scale=math.exp(4))
    forecast = score.LogNormalMixture([1], [4], [0.3])
    assert score.log_score(forecast, 60, 60) == pytest.approx(-law.logpdf(60), rel=1e-12)
    assert score.log_score(forecast, 60, 67) == pytest.approx(-math.log(law.cdf(67) - law.cdf(60)), rel=1e-12)
    assert score.log_score(forecast, 60) == pytest.approx(-law.logsf(60), rel=1e-12)
    assert score.pit(forecast, 60, 67) == pytest.approx((law.cdf(60), law.cdf(67)), rel=1e-12)
    inside = (law.cdf(65) - law.cdf(60)) / (law.cdf(67) - law.cdf(60))
    assert score.covered_share(forecast, 60, 67, 50, 65) == pytest.approx(inside, rel=1e-12)


def test_interval_score_by_hand():
    np.testing.assert_allclose(score.interval_score([55, 62], 50, 60, 0.8), [10, 30])


def test_pit_histogram_by_hand():
    np.testing.assert_allclose(score.pit_histogram([(0.25, 0.75), (0.1, 0.1)], 4), [0.5, 0.25, 0.25, 0])


def test_clustered_mean_takes_names_of_animals():
    result = score.clustered_mean([1, 1, 0, 0], ["B", "B", "A", "A"])
    assert (result.mean, result.clustered_standard_error, result.n, result.n_clusters) == (0.5, 0.5, 4, 2)
