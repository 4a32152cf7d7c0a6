"""Development against temperature, against published coefficients and tables; tolerances stand beside the numbers."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

import moltspan

# Snow crab, days = a (T - b)^(-c): constants of Ouellet & Sainte-Marie 2018 (O&SM) and Yamamoto et al. 2014 (Y) as quoted by a public
# stock-assessment script; days at 1, 5 and 10 C computed from them, printed to three decimals.
BELEHRADEK = {
    "Z1 O&SM": (4903.33, -6.1, 1.87, (125.498, 54.417, 27.147)),
    "Z2 O&SM": (2461.31, -4.73, 1.67, (133.367, 55.083, 27.559)),
    "M O&SM": (260.39, -1.37, 0.82, (128.331, 57.047, 35.473)),
    "Z1 Y": (229.5, 0.63, 1, (620.270, 52.517, 24.493)),
    "M Y": (417.3, -2.24, 1, (128.796, 57.638, 34.093)),
    "C1 Y": (276.07, -1.29, 1, (120.555, 43.890, 24.453)),
    "C2 Y": (429.06, -2.54, 1, (121.203, 56.905, 34.215)),
    "C3 Y": (511.44, -2.63, 1, (140.893, 67.030, 40.494)),
    "C4 Y": (762.62, -3.68, 1, (162.953, 87.859, 55.747)),
    "C5 Y": (801.73, -3.28, 1, (187.320, 96.827, 60.371)),
    "C6 Y": (996.53, -4.87, 1, (169.767, 100.966, 67.016)),
    "C7 Y": (1115.32, -4.02, 1, (222.175, 123.650, 79.552)),
}

# Fall armyworm, du Plessis, Schlemmer & Van den Berg 2020, Insects 11:228 (stage lengths: Schlemmer 2018, the same experiment).
ARMYWORM_C = [18, 22, 26, 30, 32]
STAGES = np.array([[6.3, 4.9, 4.9, 5.0, 5.2, 6.2, 8.6, 30.68], [4.0, 3.7, 3.0, 2.5, 2.8, 3.4, 5.1, 17.06],
                   [3.0, 3.0, 2.1, 2.0, 2.2, 2.3, 3.4, 11.43], [2.0, 2.2, 1.9, 1.4, 1.7, 2.2, 2.0, 9.0],
                   [2.0, 2.7, 1.3, 1.1, 1.5, 1.8, 2.1, 7.82]])
ARMYWORM = {"egg": STAGES[:, 0], "larva": STAGES[:, 1:7].sum(axis=1), "pupa": STAGES[:, 7], "total": STAGES.sum(axis=1)}


@pytest.mark.parametrize("stage", BELEHRADEK)
def test_belehradek_days_and_inverse_of_published_coefficients(stage):
    a, b, c, days = BELEHRADEK[stage]
    curve = moltspan.Belehradek(a, b, c)
    found = curve.days([1, 5, 10])
    np.testing.assert_allclose(found, days, atol=5.1e-4)  # printed to .001
    np.testing.assert_allclose(curve.temperature_c(found), [1, 5, 10], rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("stage", BELEHRADEK)
@pytest.mark.parametrize("step_days", [1, 0.25, 7])
def test_steps_at_constant_temperature_give_the_length_rounded_up_to_the_step(stage, step_days):
    a, b, c, _ = BELEHRADEK[stage]
    curve = moltspan.Belehradek(a, b, c)
    molt = curve.molt_day(np.full(4000, 5.0), step_days)
    assert molt["days"] == math.ceil(curve.days(5) / step_days) * step_days
    assert molt["days_within_step"] == pytest.approx(curve.days(5), rel=1e-10)


def test_whole_steps_are_not_lost_to_rounding():
    # by hand: D = 100 / 10 = 10 days exactly; ten steps of .1 add up to 1 only but for rounding
    assert moltspan.Belehradek(100, 0, 1).molt_day([10.0] * 20)["days"] == 10


def test_varying_temperature_by_hand():
    # a = 20 degree-days over 0 C: 5 + 10 after two days, the last 5 take half of the third
    molt = moltspan.Belehradek(20, 0, 1).molt_day([5.0, 10.0, 10.0])
    assert (molt["days"], molt["days_within_step"]) == (3, 2.5)
    short = moltspan.Belehradek(20, 0, 1).molt_day([5.0, -3.0, 10.0])
    assert short == {"days": None, "days_within_step": None, "progress": 0.75}


def test_q10_by_hand():
    assert moltspan.q10(0.1, 0.4, 10, 30) == pytest.approx(2, rel=1e-14)  # two tens of degrees, each a doubling
    assert moltspan.q10(1 / 40, 1 / 10, 15, 25) == pytest.approx(4, rel=1e-14)


@pytest.mark.parametrize(("stage", "threshold", "total", "published", "tolerance"), [
    # RECOMPUTED digits (ordinary least squares of 1 / D on T, 18 to 30 C) and the published threshold with its tolerance
    ("total", 12.572945522, 391.958827051, 12.57, 0.005), ("larva", 12.097647050, 205.299628163, 12.12, 0.03),
    ("pupa", 13.039824544, 151.273241700, 13.06, 0.03), ("egg", 12.781362007, 36.129032258, 13.01, 0.25)])
def test_armyworm_thresholds_and_sums(stage, threshold, total, published, tolerance):
    fit = moltspan.thermal_sum_fit(ARMYWORM_C, ARMYWORM[stage], use_to_c=30, bootstrap=0)
    assert fit.estimates["threshold_c"] == pytest.approx(threshold, rel=1e-9)
    assert fit.estimates["sum_degree_days"] == pytest.approx(total, rel=1e-9)
    assert fit.estimates["threshold_c"] == pytest.approx(published, abs=tolerance)
    assert "1 left out" in fit.summary()


def test_all_five_temperatures_give_the_other_recomputed_line():
    fit = moltspan.thermal_sum_fit(ARMYWORM_C, ARMYWORM["total"], bootstrap=0)
    assert fit.estimates["threshold_c"] == pytest.approx(12.512557748, rel=1e-9)
    assert fit.estimates["sum_degree_days"] == pytest.approx(394.610263907, rel=1e-9)


@pytest.mark.parametrize(("days", "threshold", "total"), [
    # Orius laevigatus, Sanchez & Lacasa 2002; recomputed least squares. The sum of the third instar is taken in exact fractions by
    # Python: the listed 35.461167448 is mistyped in its ninth digit.
    ([7.4, 4.3, 3.0, 2.4], 12.721480414, 52.889356751), ([4.1, 2.6, 1.9, 1.5], 11.351868712, 35.46116674837),
    ([8.6, 4.9, 3.9, 3.1], 10.751882448, 74.489743402), ([34.6, 20.5, 15.2, 12.3], 11.371664768, 287.016153936)])
def test_orius_thresholds_and_sums(days, threshold, total):
    fit = moltspan.thermal_sum_fit([20, 25, 30, 35], days, bootstrap=0)
    assert fit.estimates["threshold_c"] == pytest.approx(threshold, rel=1e-9)
    assert fit.estimates["sum_degree_days"] == pytest.approx(total, rel=1e-9)


def test_fieller_ends_are_where_the_t_test_just_fails():
    t = np.array([15, 18, 21, 24, 27, 30.0])
    days = np.array([61, 40, 33, 24, 21, 17.5])
    fit = moltspan.thermal_sum_fit(t, days, bootstrap=0)
    design = np.column_stack([np.ones(6), t])
    beta, rss = np.linalg.lstsq(design, 1 / days, rcond=None)[:2]
    covariance = rss[0] / 4 * np.linalg.inv(design.T @ design)
    for end in fit.interval("threshold_c"):  # the fitted line at that temperature is t standard errors from 0
        row = np.array([1, end])
        assert abs(row @ beta) / math.sqrt(row @ covariance @ row) == pytest.approx(stats.t.ppf(0.975, 4), rel=1e-8)
    low, high = fit.interval("sum_degree_days")
    assert low < fit.estimates["sum_degree_days"] < high


def test_unclear_slope_has_an_unbounded_threshold_and_says_so():
    fit = moltspan.thermal_sum_fit([20, 22, 24, 26], [30, 24, 31, 25], bootstrap=0)
    assert fit.interval("threshold_c") == (-math.inf, math.inf)
    assert fit.health.state == "bad" and "not clear of 0" in str(fit.health)
    assert fit.rows()[0]["lower"] is None  # no infinity in JSON


def test_weeks_for_days_scale_the_sum_and_leave_the_threshold():
    fits = [moltspan.thermal_sum_fit(ARMYWORM_C, ARMYWORM["total"] / unit, bootstrap=200) for unit in (1, 7)]
    for column in ("estimate", "lower", "upper", "bootstrap_lower", "bootstrap_upper"):
        np.testing.assert_allclose(fits[0][column][:2], fits[1][column][:2] * [1, 7], rtol=1e-9)


def test_bootstrap_is_the_same_for_the_same_seed_and_near_the_delta_interval():
    rng = np.random.default_rng(3)
    t = np.repeat([16, 19, 22, 25, 28], 8).astype(float)
    days = 1 / ((t - 11) / 300 + rng.normal(0, 0.002, 40))
    first, again, other = (moltspan.thermal_sum_fit(t, days, seed=seed) for seed in (1, 1, 2))
    assert first.to_csv() == again.to_csv() != other.to_csv()
    widths = [first[f"{kind}upper"][0] - first[f"{kind}lower"][0] for kind in ("", "delta_", "bootstrap_")]
    # 40 rows: all three agree up to the error of 1000 resamples (about 5 % of a width) and skewness
    assert widths[1] == pytest.approx(widths[0], rel=0.05) and widths[2] == pytest.approx(widths[0], rel=0.15)


@pytest.mark.parametrize("c", [None, 1.87])
def test_belehradek_fit_finds_the_curve_its_data_were_made_of(c):
    t = np.array([-1, 1, 3, 5, 8, 10, 12.0])
    truth = moltspan.Belehradek(4903.33, -6.1, 1.87)
    fit = moltspan.belehradek_fit(t, truth.days(t), c=c)
    # 1e-5: the valley of (b, c) is flat, and the data are exact to rounding only
    np.testing.assert_allclose(list(fit.estimates.values()), [4903.33, -6.1, 1.87], rtol=1e-5)


def test_belehradek_fit_meets_scipy():
    rng = np.random.default_rng(8)
    t = np.repeat([2, 4, 6, 9, 12, 15], 3).astype(float)
    days = moltspan.Belehradek(900, -3, 1.2).days(t) * np.exp(rng.normal(0, 0.05, t.size))
    fit = moltspan.belehradek_fit(t, days)

    def law(x, log_a, b, c):
        return log_a - c * np.log(x - b)

    best, covariance = optimize.curve_fit(law, t, np.log(days), p0=[7, -3, 1.2], method="lm", xtol=1e-14, ftol=1e-14, maxfev=20000)
    # 1e-5: what scipy's numerical gradients are good for along the flat valley
    assert fit.estimates["b_c"] == pytest.approx(best[1], rel=1e-4) and fit.estimates["c"] == pytest.approx(best[2], rel=1e-4)
    np.testing.assert_allclose(fit["standard_error"][1:], np.sqrt(np.diag(covariance))[1:], rtol=1e-3)


BRIERE_C = [15, 20, 25, 30, 35, 37.5]


def test_briere_optimum_is_where_the_rate_is_highest():
    curve = moltspan.Briere(1.2e-4, 9.5, 38.2)
    highest = optimize.minimize_scalar(lambda t: -curve.rate_per_day(t), bounds=(9.5, 38.2), method="bounded", options={"xatol": 1e-10})
    assert curve.optimum_c == pytest.approx(highest.x, abs=1e-6)
    assert curve.rate_per_day(9.5) == curve.rate_per_day(38.2) == curve.rate_per_day(50) == 0


def test_briere_fit_finds_its_curve_and_meets_scipy():
    curve = moltspan.Briere(1.2e-4, 9.5, 38.2)
    t = np.array([12, 16, 20, 24, 28, 32, 35, 37.0])
    exact = moltspan.briere_fit(t, 1 / curve.rate_per_day(t))
    np.testing.assert_allclose([exact.estimates[name] for name in ("a", "lower_c", "upper_c")], [1.2e-4, 9.5, 38.2], rtol=1e-7)
    rates = curve.rate_per_day(t) * (1 + 0.03 * np.array([1, -1, 0.5, -0.5, 1, -1, 0.3, -0.2]))
    fit = moltspan.briere_fit(t, 1 / rates)
    best, covariance = optimize.curve_fit(lambda x, a, low, high: a * 1e-4 * x * (x - low) * np.sqrt(np.maximum(high - x, 0)), t, rates,
                                          p0=[1.2, 9.5, 38.2], xtol=1e-14, ftol=1e-14)
    np.testing.assert_allclose([fit.estimates["a"] * 1e4, fit.estimates["lower_c"], fit.estimates["upper_c"]], best, rtol=1e-5)
    np.testing.assert_allclose(fit["standard_error"][1:3], np.sqrt(np.diag(covariance))[1:], rtol=1e-3)


def test_briere_without_a_falling_side_says_so():
    curve = moltspan.Briere(1.2e-4, 9.5, 38.2)
    t = np.array([14, 17, 20, 23, 26.0])
    fit = moltspan.briere_fit(t, 1 / (curve.rate_per_day(t) * [1.02, 0.98, 1.01, 1, 0.99]))
    assert fit.health.state != "good" and "extrapolated" in str(fit.health)


def test_armyworm_optimum_lies_below_thirty_degrees():
    # Lopez et al. 2019, fall armyworm instar 2 at 15, 20, 25, 28, 30 C: slower at 30 than at 28 C
    fit = moltspan.briere_fit([15, 20, 25, 28, 30], [7.925312834, 3.343976084, 2.122690583, 1.93921845, 2.1280205])
    assert 26 < fit.estimates["optimum_c"] < 30 < fit.estimates["upper_c"]


def test_days_that_do_not_fall_have_no_belehradek_curve():
    for days in ([12, 13, 15, 17, 20], [20] * 5):
        fit = moltspan.belehradek_fit([18, 20, 22, 24, 26], days)
        assert fit.health.state == "bad" and "the days do not fall as it gets warmer" in str(fit.health)


@pytest.mark.parametrize(("call", "words"), [
    (lambda: moltspan.thermal_sum_fit([20, 25], [30, -1]), "`days` of row 1 is -1"),
    (lambda: moltspan.thermal_sum_fit([20, 20], [30, 31]), "different temperatures"),
    (lambda: moltspan.thermal_sum_fit([20, 25, 30], [30, 20, 10], level=95), "between 0 and 1"),
    (lambda: moltspan.thermal_sum_fit([20, float("nan"), 30], [30, 20, 10]), "temperature_c"),
    (lambda: moltspan.briere_fit([20, 25, 30], [30, 20, 10]), "needs 5"),
    (lambda: moltspan.belehradek_fit([20, "x", 30], [30, 20, 10]), "temperature_c: row 1 = 'x' is no number"),
    (lambda: moltspan.Belehradek(-1, 0), "a and c are positive"),
    (lambda: moltspan.q10(0.1, 0.2, 20, 20), "differ"),
    (lambda: moltspan.Belehradek(100, 0).molt_day([1, 2], step_days=0), "a step is a positive time")])
def test_wrong_arguments_are_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
