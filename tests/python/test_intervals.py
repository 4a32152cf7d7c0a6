"""Stadium lengths: published and independently computed answers, laws that must hold, tables that tell too little."""

import functools
import json
import math
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import moltspan

REFERENCE = Path(__file__).parent.parent / "reference"
sys.path.insert(0, str(REFERENCE))
import cricket_tables  # noqa: E402 - lies beside the data it reads

FAMILIES = ("lognormal", "weibull", "loglogistic")
BOUNDS = {"min_days": "t_lo", "max_days": "t_hi"}
every_family = pytest.mark.parametrize("family", FAMILIES)


def table(case, name="records.csv"):
    return pd.read_csv(REFERENCE / case / name)


def answers(case):
    return json.loads((REFERENCE / case / "answers.json").read_text())


def by_name(reference):
    return {name.replace("(Intercept)", "Intercept"): value for name, value in reference.items()}


def assert_meets_exact_maximum(fit, exact):
    """Answers of an optimiser run until the gradient was under 1e-11; ours stops where a Newton step gains nothing, so that estimates
    keep half of the digits of the log-likelihood: 1e-5 relative is the acceptance of the project."""
    assert fit.log_likelihood == pytest.approx(exact["loglik"], rel=1e-8)
    assert fit.health.state == "good"
    for name, value in by_name(exact["coef"]).items():
        assert fit.coefficients[name] == pytest.approx(value, rel=1e-5, abs=1e-6), name
    for name, value in by_name(exact["se"]).items():
        assert fit.standard_errors[name] == pytest.approx(value, rel=1e-5), name
    assert fit.sigma == pytest.approx(exact["sigma"], rel=1e-5)
    assert fit.standard_errors["sigma"] == pytest.approx(exact["se_sigma"], rel=1e-5)
    if "tau" in exact:
        assert fit.animal_sd == pytest.approx(exact["tau"], rel=1e-5)
        assert fit.standard_errors["animal_sd"] == pytest.approx(exact["se_tau"], rel=1e-5)


def assert_meets_points(fit, points, rel=1e-9):
    """At given parameters nothing is searched: only rounding and quadrature are left."""
    for point in points:
        assert fit.log_likelihood_at(point["theta"]) == pytest.approx(float(point.get("mpmath", point["loglik"])), rel=rel)


# ---- exact answers of tests/reference (see its SOURCE.md files)


@every_family
def test_mixed_censoring_meets_the_exact_maximum(family):
    reference = answers(f"aft_interval_{family}")
    fit = moltspan.fit_stadia(table(f"aft_interval_{family}"), "log_size + temp26 + male", family=family, **BOUNDS)
    assert_meets_exact_maximum(fit, reference["exact"])
    assert_meets_points(fit, reference["at_points"])
    order = [name.replace("(Intercept)", "Intercept") for name in reference["exact"]["covariance_order"]]
    # Entries much smaller than their row's scale lose digits; so the tolerance is relative to the largest.
    expected = np.array(reference["exact"]["covariance"])
    assert np.abs(fit.covariance.loc[order, order] - expected).to_numpy().max() < 1e-6 * np.abs(expected).max()


@every_family
def test_late_entry_meets_the_exact_maximum_and_ignoring_it_is_another_answer(family):
    reference = answers("aft_left_truncated")["families"][family]
    records = table("aft_left_truncated")
    fit = moltspan.fit_stadia(records, "log_size + temp26", family=family, entry_days="entry", **BOUNDS)
    assert_meets_exact_maximum(fit, reference["exact"])
    assert_meets_points(fit, reference["at_points"])
    ignoring = moltspan.fit_stadia(records, "log_size + temp26", family=family, **BOUNDS)
    assert_meets_exact_maximum(ignoring, reference["ignoring_truncation"])


@every_family
@pytest.mark.parametrize("truncation", ["conditional", "marginal"])
def test_animal_effect_meets_dense_quadrature(family, truncation):
    reference = answers("aft_random_intercept")["families"][family][truncation]
    asked = {"family": family, "entry_days": "entry", "animal": "animal", "truncation": truncation} | BOUNDS
    fit = moltspan.fit_stadia(table("aft_random_intercept"), "log_size + temp26", quadrature=25, **asked)
    assert_meets_exact_maximum(fit, reference["maximum"])
    # The third point lies far out (animal_sd .6): an animal's S(entry) is then far from Gaussian, and 25 nodes are too few for it.
    points = reference["at_points"] if truncation == "conditional" else reference["at_points"][:2]
    assert_meets_points(fit, points, rel=1e-8)
    finest = moltspan.fit_stadia(table("aft_random_intercept"), "log_size + temp26", **asked)
    assert finest.log_likelihood == pytest.approx(reference["maximum"]["loglik"], abs=1e-9)
    assert_meets_points(finest, reference["at_points"])


@every_family
def test_laplace_meets_another_program_and_stands_beside_the_quadrature(family):
    reference = answers("aft_random_intercept")["families"][family]
    asked = {"family": family, "entry_days": "entry", "animal": "animal"} | BOUNDS
    laplace = moltspan.fit_stadia(table("aft_random_intercept"), "log_size + temp26", quadrature=1, **asked)
    other = reference["tmb_laplace_conditional"]
    assert laplace.log_likelihood == pytest.approx(other["loglik"], abs=1e-6)  # that program stopped at its own tolerance
    for point, value in zip(reference["conditional"]["at_points"], other["loglik_at_points"], strict=True):
        assert laplace.log_likelihood_at(point["theta"]) == pytest.approx(value, abs=1e-8)
    parameters = [*laplace.coefficients.values(), math.log(laplace.sigma), math.log(laplace.animal_sd)]
    # Its search ends where the gradient is about 1e-4: 1e-3 standard errors.
    assert np.abs(np.subtract(parameters, other["par"]) / other["se"]).max() < 1e-3
    exact = moltspan.fit_stadia(table("aft_random_intercept"), "log_size + temp26", quadrature=25, **asked)
    # At the other maximum the value is at most that of Laplace's own maximum, and close to it.
    assert 0 <= laplace.log_likelihood - exact.laplace_log_likelihood < 2e-3
    assert abs(exact.laplace_log_likelihood - exact.log_likelihood) > 1e-3


@every_family
def test_a_hundred_animals_meet_the_exact_maximum(family):
    fit = moltspan.fit_stadia(table(f"collection_100_{family}"), "log_size + temp26 + male", family=family, animal="animal", **BOUNDS)
    assert_meets_exact_maximum(fit, answers(f"collection_100_{family}"))


def chain_of_dates():
    """A row a stadium from the molts of `aft_chain_dates`; a molt lies in [molt_earliest, molt_latest + 1)."""
    molts = table("aft_chain_dates", "molts.csv")
    molts[["earliest", "latest"]] = molts[["molt_earliest", "molt_latest"]].apply(pd.to_datetime)
    until, rows = pd.Timestamp(answers("aft_chain_dates")["as_of"]), []
    for start, end in zip(molts.itertuples(), [*molts.itertuples()][1:] + [None], strict=True):
        row = {"animal": start.animal, "log_size": start.log_size, "temp26": start.temp26,
               "start_range": (start.latest - start.earliest).days + 1}
        if end is None or end.animal != start.animal:
            rows.append(row | {"t_lo": (until - start.latest).days, "t_hi": math.nan})
        else:
            rows.append(row | {"t_lo": (end.earliest - start.latest).days - 1, "t_hi": (end.latest - start.earliest).days + 1})
    return pd.DataFrame(rows)


@every_family
def test_start_ranges_come_near_the_exact_chain_of_shared_dates(family):
    fit = moltspan.fit_stadia(chain_of_dates(), "log_size + temp26", family=family, animal="animal", start_range_days="start_range", **BOUNDS)
    exact = answers("aft_chain_dates")["families"][family]["chained"]
    ours = np.array([*fit.coefficients.values(), math.log(fit.sigma), math.log(fit.animal_sd)])
    reference = np.array([*exact["coef"].values(), exact["log_sigma"], exact["log_tau"]])
    errors = np.array([*exact["se"].values(), exact["se_log_sigma"], exact["se_log_tau"]])
    # Two stadia share a molt, and each has it uniform over its range, as if they did not know of each other. That costs .02 standard
    # errors in coefficients and .06 to .08 in log sigma here; collapsed brackets cost up to twice that.
    assert np.abs((ours - reference) / errors).max() < 0.1


# ---- published tables


PUBLISHED = [("published_mixed_censoring", "records.csv", None, "age + ecog"),  # 26 records, their print
             ("published_mixed_censoring", "six_rows.csv", "six_rows", "x"),
             ("published_breast_cosmesis", "records.csv", None, "chemotherapy"),
             ("published_inspections", "turbine_wheels.csv", "turbine_wheels", "1"),
             ("published_inspections", "cracks.csv", "cracks", "1")]


@pytest.mark.parametrize(("case", "name", "key", "formula"), PUBLISHED)
def test_published_tables_to_their_digits(case, name, key, formula):
    records = table(case, name)
    reference = answers(case)[key] if key else answers(case)
    weights = "weight" if "weight" in records else None
    for family, expected in reference["families"].items():
        fit = moltspan.fit_stadia(records, formula, family=family, weights=weights, **BOUNDS)
        # Written with 9 digits by a program that stops at 1e-9 relative of its deviance: 1e-6 is its own accuracy.
        assert fit.log_likelihood == pytest.approx(expected["loglik"], abs=1e-6)
        assert list(fit.coefficients.values()) == pytest.approx(expected["coef"], abs=1e-6)
        assert fit.sigma == pytest.approx(expected["scale"], rel=1e-6)
        if "se" in expected:
            errors = list(fit.standard_errors.values())[:-1]
            assert errors == pytest.approx(expected["se"], rel=1e-5)
        if "se_log_scale" in expected:
            assert fit.standard_errors["sigma"] / fit.sigma == pytest.approx(expected["se_log_scale"], rel=1e-5)
        if "loglik_intercept_only" in expected:
            alone = moltspan.fit_stadia(records, "1", family=family, **BOUNDS)
            assert alone.log_likelihood == pytest.approx(expected["loglik_intercept_only"], abs=1e-6)


def test_published_prints_in_their_own_digits():
    wheels = moltspan.fit_stadia(table("published_inspections", "turbine_wheels.csv"), weights="weight", **BOUNDS)
    assert (round(wheels.coefficients["Intercept"], 4), round(math.log(wheels.sigma), 4)) == (3.6999, -0.3287)
    assert (round(wheels.standard_errors["Intercept"], 4), round(wheels.log_likelihood, 1)) == (0.0708, -190.7)
    cracks = moltspan.fit_stadia(table("published_inspections", "cracks.csv"), family="weibull", weights="weight", **BOUNDS)
    assert (round(cracks.coefficients["Intercept"], 4), round(math.log(cracks.sigma), 4)) == (7.6880, -0.3953)
    assert round(cracks.standard_errors["Intercept"], 4) == 0.0744
    assert round(cracks.standard_errors["sigma"] / cracks.sigma, 4) == 0.0987
    # survreg's quantile rows of the same source
    quantiles = {p: math.exp(cracks.coefficients["Intercept"] + cracks.sigma * math.log(-math.log1p(-p))) for p in (0.01, 0.1, 0.5)}
    for p, days in answers("published_inspections")["cracks"]["weibull_quantiles"].items():
        assert quantiles[float(p)] == pytest.approx(days, rel=1e-6)


@functools.cache
def cricket_table(name):
    records = pd.DataFrame(cricket_tables.tables()[name], columns=["animal", "temperature_c", "t_lo", "t_hi"]).astype({"t_hi": float})
    return records.assign(temperature=records.temperature_c.astype(str))


CRICKETS = {  # gryllodes-tpc/SOURCE.md, printed with 3 and 4 digits
    "instar_4": (-166.534, 0.2440, [3.8384, -0.2262, -0.4765, -0.8985, -1.1003, -1.5435, -1.3772, -1.5097, -1.4939, -2.0328]),
    "instar_7": (-164.945, 0.1418, [4.3206, -0.3607, -0.6409, -0.8217, -1.0168, -1.0282, -1.0976, -1.0788]),
    "last_stage": (-385.068, 0.2437, [3.4336, -0.3380, -0.4751, -0.7138, -0.9770, -0.9440, -1.3103, -0.9359])}


@pytest.mark.open_data
@pytest.mark.parametrize("name", CRICKETS)
def test_crickets_to_their_printed_digits(name):
    log_likelihood, sigma, coefficients = CRICKETS[name]
    fit = moltspan.fit_stadia(cricket_table(name), "temperature", **BOUNDS)
    assert round(fit.log_likelihood, 3) == log_likelihood
    assert round(fit.sigma, 4) == sigma
    assert [round(value, 4) for value in fit.coefficients.values()] == coefficients


@pytest.mark.open_data
def test_crickets_in_other_families():
    assert round(moltspan.fit_stadia(cricket_table("instar_4"), "temperature", family="weibull", **BOUNDS).log_likelihood, 3) == -200.592
    assert round(moltspan.fit_stadia(cricket_table("instar_7"), "temperature", family="weibull", **BOUNDS).log_likelihood, 3) == -188.761
    fit = moltspan.fit_stadia(cricket_table("instar_7"), "temperature", family="loglogistic", **BOUNDS)
    assert (round(fit.log_likelihood, 3), round(fit.sigma, 4)) == (-160.357, 0.0746)


def crickets_with_cold_ones():
    """Instar 7 with 20 and 22 C left in, where no cricket reached it (SOURCE.md)."""
    rows = cricket_tables.instar_table(7, tuple(range(20, 39, 2)))
    return pd.DataFrame(rows, columns=["animal", "temperature", "t_lo", "t_hi"])


@pytest.mark.open_data
@every_family
def test_temperatures_without_an_event_run_away_and_are_named(family):
    warm_base = crickets_with_cold_ones().replace({"temperature": {"24": "0 warm"}})
    fit = moltspan.fit_stadia(warm_base, "temperature", family=family, **BOUNDS)
    assert fit.health.state == "bad"
    (text,) = [text for state, topic, text in fit.health.notes if topic == "not_determined"]
    assert "determine temperature[20], temperature[22]:" in text
    assert [name for name, error in fit.standard_errors.items() if math.isinf(error)] == ["temperature[20]", "temperature[22]"]
    # What the other records tell is not spoilt by it. Crickets seen short at 20 and 22 C still count a little (in sigma): .001.
    alone = moltspan.fit_stadia(cricket_table("instar_7"), "temperature", family=family, **BOUNDS)
    assert fit.coefficients["temperature[30]"] == pytest.approx(alone.coefficients["temperature[30]"], abs=1e-3)


@pytest.mark.open_data
def test_a_base_without_an_event_takes_every_difference_with_it():
    fit = moltspan.fit_stadia(crickets_with_cold_ones(), "temperature", **BOUNDS)  # base 20 C
    assert fit.health.state == "bad"
    assert all(math.isinf(error) for name, error in fit.standard_errors.items() if name != "sigma")


# ---- full posteriors


SMALL_PRIORS = {"Intercept": ("normal", math.log(90), 1), "log_size": ("normal", 0, 1), "temp26": ("normal", 0, 0.2),
                "sigma": ("half_normal", 1), "animal_sd": ("half_normal", 0.5)}
SAMPLED = {"lognormal": "stan_small_collection", "weibull": "sampler_weibull", "loglogistic": "sampler_loglogistic"}


def small_collection():
    return table("stan_small_collection").assign(temp26=lambda t: t.temp_c - 26)


@pytest.fixture(scope="module")
def small_posteriors():
    return {family: moltspan.fit_stadia(small_collection(), "log_size + temp26", family=family, method="bayes", animal="animal",
                                        priors=SMALL_PRIORS, **BOUNDS) for family in FAMILIES}


@every_family
def test_posterior_means_meet_the_sampler(family, small_posteriors):
    fit, reference = small_posteriors[family], answers(SAMPLED[family])
    means, posterior = reference["importance_sampling_check"]["mean"], reference["result"]["posterior"]
    ours = {"mu": fit.coefficients["Intercept"], "gamma": fit.coefficients["log_size"], "delta": fit.coefficients["temp26"],
            "sigma": fit.sigma, "tau": fit.animal_sd}
    for name, value in ours.items():
        # The acceptance of the project; Monte Carlo errors of the means are under .01 sd.
        tolerance = 0.1 if name in ("sigma", "tau") else 0.05
        assert abs(value - means[name]) < tolerance * posterior[name]["sd"], name
    errors = dict(zip(ours, fit.standard_errors.values(), strict=True))
    for name, value in errors.items():
        assert value == pytest.approx(posterior[name]["sd"], rel=0.06), name  # sampler: 1 % or so; Gaussian parts lose tail


@every_family
def test_forecast_levels_at_the_quantiles_of_the_sampler(family, small_posteriors):
    levels = np.linspace(0.002, 0.998, 499)
    forecast = small_posteriors[family].forecast(quantiles=levels)
    running = answers(SAMPLED[family])["result"]["next_interval_days"]
    assert len(forecast) == len(running) == 8
    for row, quantiles in zip(forecast.itertuples(), forecast.iloc[:, 2:].to_numpy(dtype=float), strict=True):
        reference = running[f"animal_{small_collection().animal[row.row]}"]
        assert row.elapsed_days == reference["elapsed"]
        found = np.interp(list(reference["rb"]["q"].values()), quantiles, levels)
        assert np.abs(found - moltspan.stadia.intervals.QUANTILES).max() < 0.01, row


def test_evidence_meets_importance_sampling(small_posteriors):
    # Censored records alone: no Jacobian, the same constants. Laplace's error of the effects is some .01.
    check = answers("stan_small_collection")["importance_sampling_check"]
    assert small_posteriors["lognormal"].log_likelihood == pytest.approx(check["log_evidence"], abs=0.03)


def test_a_prior_with_nothing_to_doubt_wins():
    fit = moltspan.fit_stadia(small_collection(), "log_size + temp26", method="bayes", animal="animal", **BOUNDS,
                              priors=SMALL_PRIORS | {"log_size": ("normal", 0.25, 1e-6), "animal_sd": ("half_normal", 1e-3)})
    assert fit.coefficients["log_size"] == pytest.approx(0.25, abs=1e-5)
    assert fit.animal_sd < 3e-3


# ---- both ends of a stadium known to a range


def checked_stadia(median_days, every_days, n=20000):
    """Stadia of an animal looked at every so many days: each molt lies between two looks."""
    rng = np.random.default_rng(20260101)
    days = median_days * np.exp(0.2 * rng.standard_normal(n))
    looks = np.floor((rng.uniform(0, every_days, n) + days) / every_days)  # looks between the two molts
    return pd.DataFrame({"min_days": np.maximum(looks - 1, 0) * every_days, "max_days": (looks + 1) * every_days,
                         "start_range": float(every_days), "looks": looks})


# 17 days looked at every 14: most starts and ends lie in neighbouring ranges, so that min_days is 0 and yet a lower bound.
@pytest.mark.parametrize(("median_days", "every_days"), [(17, 7), (17, 14), (28, 7), (28, 14)])
def test_start_integrated_out_gives_the_spread_and_collapsing_loses_it(median_days, every_days):
    stadia = checked_stadia(median_days, every_days)
    fit = moltspan.fit_stadia(stadia, start_range_days="start_range")
    assert fit.standard_errors["sigma"] < 0.0035  # so 3 % of .2 is about two standard errors or more
    collapsed = moltspan.fit_stadia(stadia)
    assert collapsed.sigma < 0.9 * 0.2
    assert fit.sigma == pytest.approx(0.2, rel=0.03)
    assert math.exp(fit.coefficients["Intercept"]) == pytest.approx(median_days, rel=0.01)


def test_a_lower_bound_just_above_nothing_is_one():
    stadia = checked_stadia(17, 14)
    stadia.loc[stadia.looks == 1, "min_days"] = 1e-9
    fit = moltspan.fit_stadia(stadia, start_range_days="start_range")
    assert fit.sigma == pytest.approx(0.2, rel=0.03)


# Student's prediction interval, the textbook's exact answer for exact log times of one animal: mean +- t sd sqrt(1 + 1/n), 5 degrees of
# freedom, by scipy.stats.t. The bootstrap has 200 replicates: its tails are known to some 3 % of a length.
def test_bands_of_one_animal_by_maximum_likelihood_are_students():
    from scipy import stats

    lengths = np.array([40.0, 52, 47, 61, 55, 44])
    table = pd.DataFrame({"animal": "A", "min_days": [*lengths, 0.01], "max_days": [*lengths, np.nan]})
    quantiles = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
    fit = moltspan.fit_stadia(table, animal="animal")
    ours = fit.forecast(quantiles=quantiles).iloc[0, 2:].to_numpy(float)
    n, logs = len(lengths), np.log(lengths)
    exact = np.exp(logs.mean() + stats.t.ppf(quantiles, n - 1) * logs.std(ddof=1) * math.sqrt(1 + 1 / n))
    assert ours == pytest.approx(exact, rel=0.03)
    normal = np.exp(logs.mean() + stats.norm.ppf(quantiles) * logs.std())
    assert ours[0] < 0.95 * normal[0] and ours[-1] > 1.05 * normal[-1]  # the plug-in band is far narrower
    assert "parametric bootstrap" in str(fit.health)
    assert (fit.forecast(quantiles=quantiles).iloc[0, 2:].to_numpy(float) == ours).all()  # the same numbers every time


def test_no_bootstrap_from_five_animals_on():
    table = checked_stadia(28, 7).assign(animal=lambda t: np.arange(len(t)) % 5)
    fit = moltspan.fit_stadia(table, animal="animal", start_range_days="start_range", quadrature=8)
    assert "bootstrap" not in str(fit.health)
