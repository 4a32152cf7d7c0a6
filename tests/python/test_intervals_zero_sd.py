"""Standard deviations of groups at 0 and parameters that records cannot tell apart."""

import numpy as np
import pandas as pd
import pytest

import moltspan
from test_intervals_tables import every_family, lengths, topics


def simulated(seed, animals=40, each=4, animal_sd=0.3, cohorts=0, cohort_sd=0.0, sigma=0.2):
    random = np.random.default_rng(seed)
    cohort = np.arange(animals) % max(cohorts, 1)
    effect = animal_sd * random.normal(size=animals) + cohort_sd * random.normal(size=max(cohorts, 1))[cohort]
    own = np.repeat(np.arange(animals), each)
    days = np.exp(4 + effect[own] + sigma * random.normal(size=len(own)))
    return lengths(np.column_stack([days, days]), animal=[f"A{a}" for a in own], cohort=[f"c{c}" for c in cohort[own]])


def text_of(fit, topic):
    return next(text for _, found, text in fit.health.notes if found == topic)


def test_an_sd_at_zero_is_said_and_spoils_nothing():
    """Cohorts without a spread of their own: the rest is as in the fit without them."""
    at_zero = 0
    for seed in range(6):
        table = simulated(seed, cohorts=8)
        fit = moltspan.fit_stadia(table, animal="animal", cohort="cohort")
        assert fit.health.state == "warning", fit.health
        assert "separation" not in str(fit.health) and "do not use" not in str(fit.health)
        if fit.cohort_sd > 0:
            continue
        at_zero += 1
        alone = moltspan.fit_stadia(table, animal="animal")
        assert "the cohorts differ no more than chance would have it" in text_of(fit, "sd_zero")
        assert fit.coefficients == pytest.approx(alone.coefficients) and fit.standard_errors["Intercept"] == pytest.approx(alone.standard_errors["Intercept"])
        assert (fit.sigma, fit.animal_sd) == (pytest.approx(alone.sigma), pytest.approx(alone.animal_sd))
        assert fit.predict(table.head(1))["new_upper"][0] == pytest.approx(moltspan.fit_stadia(table, animal="animal").predict(table.head(1))["new_upper"][0])
    assert at_zero >= 2  # by chance about half of the samples


def test_a_spread_between_cohorts_that_is_there_is_found():
    fit = moltspan.fit_stadia(simulated(1, animals=80, cohorts=16, cohort_sd=0.4), animal="animal", cohort="cohort")
    assert fit.cohort_sd == pytest.approx(0.4, abs=0.2) and "sd_zero" not in topics(fit) and "not_told_apart" not in topics(fit)


def test_animals_alike_have_an_sd_of_zero():
    for seed in range(8):
        fit = moltspan.fit_stadia(simulated(seed, animals=12, each=3, animal_sd=0.0), animal="animal")
        if fit.animal_sd == 0:
            assert "the animals differ no more than chance would have it" in text_of(fit, "sd_zero")
            break
    else:
        pytest.fail("an sd of 0 was never estimated")


@every_family
def test_one_stadium_an_animal_cannot_tell_its_spreads_apart(family):
    """Of one stadium each nothing says how much is the animal's: sigma holds both, as in the fit without animals."""
    table = simulated(3, animals=60, each=1)
    fit = moltspan.fit_stadia(table, animal="animal", family=family)
    alone = moltspan.fit_stadia(table, family=family)
    assert fit.health.state == "warning" and topics(fit) == ["not_told_apart"]
    assert "each animal has one stadium: the spread between animals cannot be told apart from sigma" in text_of(fit, "not_told_apart")
    assert (fit.coefficients, fit.sigma, fit.animal_sd) == (alone.coefficients, alone.sigma, None)
    pd.testing.assert_frame_equal(fit.predict(table.head(2)), alone.predict(table.head(2)))


def test_hardly_two_stadia_an_animal_cannot_either():
    """sigma^2 + animal_sd^2 of the lognormal is the variance of the logs; second stadia that have run for a day say next to nothing more."""
    table = simulated(3, animals=60, each=1)
    begun = table.head(5).assign(min_days=1.0, max_days=np.nan)
    fit, alone = moltspan.fit_stadia(pd.concat([table, begun]), animal="animal"), moltspan.fit_stadia(table)
    assert fit.health.state == "warning" and topics(fit) == ["not_told_apart"]
    assert "the records tell sigma, animal_sd together but not apart" in text_of(fit, "not_told_apart")
    assert fit.sigma ** 2 + fit.animal_sd ** 2 == pytest.approx(alone.sigma ** 2, rel=1e-3)
    assert fit.standard_errors["Intercept"] == pytest.approx(alone.standard_errors["Intercept"], rel=1e-2)


def test_separation_and_equal_columns_are_told_apart():
    none_ended = lengths([(30, 30), (40, 40), (50, 50), (45, 45), (60, np.nan), (70, np.nan)], kind=list("aaaabb"))
    fit = moltspan.fit_stadia(none_ended, "kind")
    assert fit.health.state == "bad" and "determine kind[b]: the values run away without bound (separation" in text_of(fit, "not_determined")
    double = lengths([(30, 30), (64, 66), (120, 120), (100, 100), (50, 50)], x=[0, 1, 2, 3, 4]).assign(y=lambda t: 2 * t.x)
    fit = moltspan.fit_stadia(double, "x + y")
    assert "determine x, y: these columns say the same" in text_of(fit, "not_determined") and "separation" not in str(fit.health)
    alike = moltspan.fit_stadia(lengths([(28, 35)] * 6))
    assert "sigma runs to 0" in text_of(alike, "not_determined") and "separation" not in str(alike.health)


def test_days_are_not_printed_for_degree_days():
    table = simulated(4, animals=10).rename(columns={"min_days": "degree_days_from", "max_days": "degree_days_to"})
    fit = moltspan.fit_stadia(table, min_days="degree_days_from", max_days="degree_days_to", animal="animal")
    assert "(T in degree-days)" in fit.summary() and " days" not in fit.summary()
    assert "Stadium lengths T (degree-days) were modeled" in fit.methods_text()
    stated = moltspan.fit_stadia(table, min_days="degree_days_from", max_days="degree_days_to", unit="hours")
    assert "(T in hours)" in stated.summary()
