"""Growth ratios, growth rates, sex ratios and comparisons of groups; sources beside the numbers."""

import math

import numpy as np
import pandas
import pytest
from scipy import stats

import moltspan
from moltspan import _core


def test_growth_ratio_by_hand():
    # log ratios ln 1.2, ln 1.25, ln 1.3: mean .223060, sd .040026; t(.975, 2) = 4.302653
    result = moltspan.growth_ratio([10, 20, 30], [12, 25, 39])
    assert result.estimate == pytest.approx((1.2 * 1.25 * 1.3) ** (1 / 3), rel=1e-14)
    logs = np.log([1.2, 1.25, 1.3])
    np.testing.assert_allclose(np.log([result.lower, result.upper]), stats.t.interval(0.95, 2, logs.mean(), stats.sem(logs)), rtol=1e-10)  # as good as older scipy


def test_growth_ratio_is_the_same_in_inches_and_in_any_order():
    before, after = np.array([10, 20, 30, 14.0]), np.array([12, 25, 39, 17.0])
    mm, inches = moltspan.growth_ratio(before, after), moltspan.growth_ratio(before[::-1] / 25.4, after[::-1] / 25.4)
    np.testing.assert_allclose([mm.estimate, mm.lower, mm.upper], [inches.estimate, inches.lower, inches.upper], rtol=1e-13)


def test_pairs_all_alike_are_said():
    for found in (moltspan.growth_ratio([5, 5, 5], [6, 6, 6]), moltspan.specific_growth_rate([5, 5, 5], [6, 6, 6], [10, 10, 10])):
        assert found.health.state == "warning" and "all pairs give the same value" in str(found.health)
    assert moltspan.growth_ratio([5, 5, 5], [6, 6.1, 6]).health.state == "good"


def test_specific_growth_rate_by_hand_and_in_weeks():
    days = moltspan.specific_growth_rate([1, 1], [math.e, math.e**2], [10, 10])
    assert days.per_pair == pytest.approx((0.1, 0.2), rel=1e-14) and days.estimate == pytest.approx(0.15, rel=1e-14)
    weeks = moltspan.specific_growth_rate([1, 1], [math.e, math.e**2], [10 / 7, 10 / 7])
    np.testing.assert_allclose([weeks.lower, weeks.upper], [7 * days.lower, 7 * days.upper], rtol=1e-13)


def test_krill_increment_per_day():
    # krill, SSP 1986 abstract: increment 1.14 mm in an intermolt of 23.8 d; the recomputed rate .047899160 (printed .047, cut off)
    assert 1.14 / 23.8 == pytest.approx(0.047899160, abs=5e-10)
    rate = moltspan.specific_growth_rate([1.0], [math.exp(1.14)], [23.8])  # the same arithmetic on a log scale
    assert rate.estimate == pytest.approx(0.047899160, abs=5e-10)
    assert math.isnan(rate.lower) and rate.health.state == "warning"


def test_snow_crab_period_and_size_factors():
    # Crustaceana 88 (2015) 911: medians 234, 284, 346 d for instars VI to VIII, widths 19.5, 27.5, 37.5 mm; recomputed factors
    periods = [moltspan.growth_ratio([a], [b]).estimate for a, b in ((234, 284), (284, 346))]
    np.testing.assert_allclose(periods, [1.213675, 1.218310], atol=5e-7)
    assert moltspan.growth_ratio([234, 284], [284, 346]).estimate == pytest.approx(1.216, abs=5e-4)
    assert moltspan.slope_factors(periods_days=[234, 284, 346])["period_slope_factor"] == pytest.approx(1.216, abs=5e-4)
    widths = [moltspan.growth_ratio([a], [b]).estimate for a, b in ((19.5, 27.5), (27.5, 37.5))]
    np.testing.assert_allclose(widths, [1.410256, 1.363636], atol=5e-7)


@pytest.mark.parametrize(("male", "female", "share"), [(13, 7, 0.5), (0, 9, 0.5), (30, 14, 2 / 3), (5, 5, 0.25), (1, 0, 0.5)])
def test_sex_ratio_meets_scipy(male, female, share):
    result = moltspan.sex_ratio(male=male, female=female, null_share=share)
    exact = stats.binomtest(male, male + female, share)
    assert result.p_value == pytest.approx(exact.pvalue, rel=1e-10)
    np.testing.assert_allclose([result.lower, result.upper], exact.proportion_ci(0.95, "exact"), atol=1e-12)
    np.testing.assert_allclose(result.wilson, exact.proportion_ci(0.95, "wilson"), atol=1e-12)


def test_probable_sexes_average_over_what_they_may_be():
    # by hand: one probable male beside 3 males and 2 females is a fourth male with chance .8, a third female with .2
    mixed = moltspan.sex_ratio(male=3, female=2, probable_male=1)
    both = [stats.binomtest(k, 6, 0.5).pvalue for k in (4, 3)]
    assert mixed.p_value == pytest.approx(0.8 * both[0] + 0.2 * both[1], rel=1e-12)
    assert mixed.estimate == pytest.approx(3.8 / 6, rel=1e-14)
    low = mixed.lower
    assert 0.8 * stats.binom.sf(3, 6, low) + 0.2 * stats.binom.sf(2, 6, low) == pytest.approx(0.025, rel=1e-9)
    certain = moltspan.sex_ratio(male=4, female=2)
    assert mixed.wilson[1] - mixed.wilson[0] > certain.wilson[1] - certain.wilson[0]


def test_sex_ratio_from_words_and_mirrored():
    words = ["female", "male", "probable male", "unknown", "", "male", "probable female"]
    result = moltspan.sex_ratio(words)
    assert result.counts == {"female": 1, "male": 2, "probable_female": 1, "probable_male": 1, "unknown": 2} and result.n == 5
    mirrored = moltspan.sex_ratio(female=2, male=1, probable_female=1, probable_male=1)
    assert mirrored.p_value == pytest.approx(result.p_value, rel=1e-12)
    assert mirrored.lower == pytest.approx(1 - result.upper, rel=1e-9)
    with pytest.raises(ValueError, match="row 1, sex = 'boy'"):
        moltspan.sex_ratio(["male", "boy"])
    with pytest.raises(ValueError, match="stated or probable"):
        moltspan.sex_ratio(["unknown"])


def test_holm_by_hand():
    # Holm 1979: sorted .01 .02 .04 times 3, 2, 1, never falling: .03 .04 .04
    np.testing.assert_allclose(_core.adjust_holm([0.04, 0.01, 0.02]), [0.04, 0.03, 0.04], rtol=1e-14)


@pytest.mark.parametrize(("groups", "df"), [(3, math.inf), (4, math.inf), (4, 12), (6, 20)])
def test_max_t_of_all_pairs_is_tukeys(groups, df):
    pairs = [(i, j) for i in range(groups) for j in range(i)]
    weights = np.zeros((len(pairs), groups))
    for row, (i, j) in enumerate(pairs):
        weights[row, i], weights[row, j] = 1, -1
    values = np.linspace(0, 2.2, groups)
    result = _core.contrasts(values, np.eye(groups) * 0.25, weights, 0.95, df)
    law = stats.studentized_range(groups, df)
    # the lattice's stated error of a chance, and what it means for a quantile
    np.testing.assert_allclose(result.p_max_t, law.sf(np.abs(result.estimate) / 0.5), rtol=4e-3)
    assert result.critical_value == pytest.approx(law.ppf(0.95) / math.sqrt(2), rel=3e-4)
    assert np.all(result.p_value <= result.p_max_t + 1e-15) and np.all(result.p_max_t <= np.minimum(1, len(pairs) * result.p_value) + 1e-15)


def test_max_t_far_out_is_tukeys():
    # R 4.2.2: ptukey(t * sqrt(2), 4, 44, lower = FALSE) at t = 5, 7; four groups of equal error
    weights = np.array([[1, -1, 0, 0], [1, 0, -1, 0], [1, 0, 0, -1], [0, 1, -1, 0], [0, 1, 0, -1], [0, 0, 1, -1]], float)
    want = {5: 5.561046209e-05, 7: 6.773636996e-08}
    for t, p in want.items():
        found = _core.contrasts(np.array([t * math.sqrt(0.5), 0, 0, 0]), np.eye(4) * 0.25, weights, 0.95, 44)
        assert found.p_max_t[0] == pytest.approx(p, rel=4e-3)


def test_max_t_of_correlated_contrasts_meets_an_integral():
    covariance = np.array([[1, 0.6], [0.6, 2.0]])
    result = _core.contrasts([1.5, 2.0], covariance, np.eye(2), 0.95, math.inf)
    rho = 0.6 / math.sqrt(2)
    for t, p in zip(np.array([1.5, 2.0]) / np.sqrt([1, 2.0]), result.p_max_t, strict=True):
        inside = stats.multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf([t, t], lower_limit=[-t, -t])
        assert p == pytest.approx(1 - inside, abs=1e-3)


def test_likelihood_ratio_by_hand():
    result = _core.likelihood_ratio(-100.0, -102.0, 1, 30)
    assert (result.statistic, result.df) == (4, 1)
    assert result.p_value == pytest.approx(stats.chi2.sf(4, 1), rel=1e-13)
    assert result.p_small_sample == pytest.approx(stats.f.sf(4, 1, 30), rel=1e-12)


def test_results_are_written_with_all_digits_and_escaped(tmp_path):
    result = moltspan.sex_ratio(male=13, female=7)
    result.to_csv(tmp_path / "x.csv")
    assert float(pandas.read_csv(tmp_path / "x.csv", dtype=str)["lower"][0]) == result.lower
    latex = result.to_latex(label="tab:sex")
    assert r"share\_male" in latex and r"95 \%" in latex and r"\label{tab:sex}" in latex and latex.count("{") == latex.count("}")
    assert "<table>" in result._repr_html_() and "Share of males" in repr(result)
    with pytest.raises(AttributeError, match="cannot be changed"):
        result.estimate = 1
