"""Stadium lengths: tables that tell too little, faulty tables, and laws that every fit must keep."""

import math
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest

import moltspan

FAMILIES = ("lognormal", "weibull", "loglogistic")
every_family = pytest.mark.parametrize("family", FAMILIES)

# ---- weak tables: an answer with a stated health


def lengths(rows, **columns):
    return pd.DataFrame(rows, columns=["min_days", "max_days"]).assign(**columns)


def topics(fit):
    return [topic for _, topic, _ in fit.health.notes]


@every_family
def test_equal_lengths_have_no_spread_and_say_so(family):
    fit = moltspan.fit_stadia(lengths([(30, 30)] * 6), family=family)
    assert fit.health.state == "bad"
    assert {"not_determined", "no_spread"} <= set(topics(fit))
    fit = moltspan.fit_stadia(lengths([(28, 35)] * 6), family=family)
    assert fit.health.state == "bad"
    assert "not_determined" in topics(fit)
    line = moltspan.fit_stadia(lengths([(30, 30), (60, 60), (120, 120), (240, 240)], x=[0, 1, 2, 3]), "x", family=family)
    assert "no_spread" in topics(line)


@every_family
def test_only_left_censored_and_collinear_tables_name_what_is_lost(family):
    left = moltspan.fit_stadia(lengths([(0, 30), (0, 40), (0, 50), (0, 20)]), family=family)
    assert left.health.state == "bad"
    double = lengths([(30, 30), (64, 66), (120, 120), (240, np.nan), (50, 50)], x=[0, 1, 2, 3, 4]).assign(y=lambda t: 2 * t.x)
    fit = moltspan.fit_stadia(double, "x + y", family=family)
    assert "not_determined" in topics(fit)
    assert math.isinf(fit.standard_errors["x"])
    assert math.isinf(fit.standard_errors["y"])


@pytest.mark.parametrize("rows", [[], [(30, np.nan), (40, np.nan)], [(30, 30)], [(30, 37)]])
def test_too_few_ends_for_maximum_likelihood_raise(rows):
    with pytest.raises(ValueError, match="no stadium|seen end"):
        moltspan.fit_stadia(lengths(rows, unused=1.0))


def test_as_many_coefficients_as_records_raise():
    with pytest.raises(ValueError, match="3 coefficients"):
        moltspan.fit_stadia(lengths([(30, 30), (40, 40), (50, 50)], kind=["a", "b", "c"]), "kind")


def test_few_animals_are_said():
    rows = [(30, 33), (40, 40), (50, 55), (45, np.nan)]
    one = moltspan.fit_stadia(lengths(rows, animal="A"), animal="animal")
    assert (one.health.state, topics(one), one.animal_sd) == ("warning", ["few_members", "few_animals"], None)
    two = moltspan.fit_stadia(lengths(rows, animal=["A", "A", "B", "B"]), animal="animal")
    assert two.health.state == "warning"
    assert "animal_difference" in two.coefficients
    bayes = moltspan.fit_stadia(lengths(rows, animal=["A", "A", "B", "B"]), animal="animal", method="bayes")
    assert bayes.health.state == "warning"
    assert bayes.animal_sd > 0


def test_running_stadia_alone_rest_on_the_prior_and_say_so():
    fit = moltspan.fit_stadia(lengths([(30, np.nan), (40, np.nan)]), method="bayes")
    assert (fit.health.state, topics(fit)) == ("warning", ["no_closed_stadium"])


NORMAL, HALF = (math.log(40), 0.8), 0.5
TINY = {"a few": [(28, 35), (40, 47), (33, 40), (35, 42), (25, np.nan)], "two": [(28, 35), (40, 47)], "one exact": [(30, 30)],
        "one interval": [(30, 37)], "equal intervals": [(28, 35)] * 6, "one running": [(30, np.nan)],
        "running": [(30, np.nan), (40, np.nan), (50, np.nan)]}


def dense_posterior(rows, family):
    """Mean and sd of (Intercept, sigma) on a grid of 1001 x 701 points, by scipy's distributions; finer grids change the 5th digit."""
    stats = pytest.importorskip("scipy.stats")
    law = {"lognormal": stats.norm, "weibull": stats.gumbel_l, "loglogistic": stats.logistic}[family]
    eta = np.linspace(NORMAL[0] - 8 * NORMAL[1], NORMAL[0] + 8 * NORMAL[1], 1001)[:, None]
    log_sigma = np.linspace(math.log(HALF) - 9, math.log(HALF) + 2, 701)[None]
    sigma = np.exp(log_sigma)
    log_p = -0.5 * ((eta - NORMAL[0]) / NORMAL[1]) ** 2 - 0.5 * (sigma / HALF) ** 2 + log_sigma
    with np.errstate(all="ignore"):
        for low, high in rows:
            a, b = (math.log(low) - eta) / sigma, (math.log(high) - eta) / sigma
            if math.isnan(high):
                log_p = log_p + law.logsf(a)
            elif low == high:
                log_p = log_p + law.logpdf(a) - log_sigma
            else:
                log_p = log_p + np.log(np.where(a > 0, law.sf(a) - law.sf(b), law.cdf(b) - law.cdf(a)))
    p = np.exp(np.nan_to_num(log_p - np.nanmax(log_p), nan=-np.inf))
    p /= p.sum()
    return [((p * x).sum(), math.sqrt((p * x**2).sum() - (p * x).sum() ** 2)) for x in (eta, sigma)]


@pytest.mark.parametrize(("name", "family"), [(name, family) for name in TINY if name != "equal intervals" for family in FAMILIES])
def test_posterior_of_a_tiny_table_meets_a_dense_grid(name, family):
    fit = moltspan.fit_stadia(lengths(TINY[name]), family=family, method="bayes",
                              priors={"Intercept": ("normal", *NORMAL), "sigma": ("half_normal", HALF)})
    (eta, eta_sd), (sigma, sigma_sd) = dense_posterior(TINY[name], family)
    # So few records leave a posterior far from Gaussian: a fifth of its sd is what Laplace's approximation is good for with running
    # stadia alone (no length is known), a tenth with one record, less with a few.
    some = 0.2 if "running" in name else 0.02 if name == "a few" else 0.1
    assert abs(fit.coefficients["Intercept"] - eta) < some * eta_sd
    assert abs(fit.sigma - sigma) < some * sigma_sd
    assert fit.standard_errors["Intercept"] == pytest.approx(eta_sd, rel=0.15)


@every_family
def test_equal_exact_lengths_under_bayes_give_a_stated_health(family):
    fit = moltspan.fit_stadia(lengths([(30, 30)] * 6), family=family, method="bayes")
    assert fit.health.state == "bad"


@every_family
def test_ranges_wide_against_the_spread_are_said(family):
    """Terms are flat within their ranges at small sigma, which no Gaussian describes: the numbers are rough, and health says so."""
    fit = moltspan.fit_stadia(lengths(TINY["equal intervals"]), family=family, method="bayes",
                              priors={"Intercept": ("normal", *NORMAL), "sigma": ("half_normal", HALF)})
    assert fit.health.state == "warning"
    assert "ranges of days are wide" in str(fit.health)


# ---- faulty tables: an error that names the row


FOUR = lengths([(30, 33), (40, 40), (50, 55), (45, np.nan)], x=[1.0, 2.0, 3.0, 4.0])


def changed(row, **values):
    result = FOUR.assign(entry=0.0, start_range=0.0, weight=1.0).astype(object)
    for name, value in values.items():
        result.loc[row, name] = value
    return result


def test_a_stadium_that_began_within_the_last_range_of_days_tells_that_it_is_no_shorter():
    """By hand: with the start uniform over R days up to the last one watched, its likelihood is the mean of S over 0 to R (midpoint rule)."""
    known, within = [25.0, 30, 40, 50], 60.0
    table = lengths([(t, t) for t in known] + [(0, np.nan)]).assign(range=[0.0] * len(known) + [within])
    fit = moltspan.fit_stadia(table, start_range_days="range")
    law = NormalDist(fit.coefficients["Intercept"], fit.sigma)
    middles = (np.arange(4000) + 0.5) * within / 4000
    expected = sum(math.log(law.pdf(math.log(t)) / t) for t in known)
    expected += math.log(np.mean([1 - law.cdf(math.log(t)) for t in middles]))
    assert fit.log_likelihood == pytest.approx(expected, abs=1e-6)  # the midpoint rule's error


@pytest.mark.parametrize(("row", "values", "arguments", "words"), [
    (1, {"min_days": np.nan, "max_days": np.nan}, {}, "both blank"),
    (1, {"min_days": 0, "max_days": None}, {}, "both blank"),
    (2, {"min_days": -50}, {}, "min_days = -50"),
    (2, {"max_days": -5}, {}, "max_days = -5"),
    (1, {"max_days": 39}, {}, "below min_days = 40"),
    (0, {"min_days": 0, "max_days": 0}, {}, "positive number"),
    (0, {"max_days": math.inf}, {}, "max_days = inf"),
    (1, {"min_days": "forty"}, {}, "'forty' is no number"),
    (1, {"x": np.nan}, {"formula": "x"}, "x is not a number"),
    (1, {"x": 0.0}, {"formula": "log(x)"}, "not a number"),
    (0, {"entry": 40}, {"entry_days": "entry"}, "entry_days = 40"),
    (1, {"entry": 40}, {"entry_days": "entry"}, "entry_days = 40"),
    (3, {"entry": 46}, {"entry_days": "entry"}, "entry_days = 46"),
    (1, {"entry": -1}, {"entry_days": "entry"}, "entry_days = -1"),
    (2, {"start_range": 9}, {"start_range_days": "start_range"}, "start_range_days = 9"),
    (2, {"start_range": -1}, {"start_range_days": "start_range"}, "start_range_days = -1"),
    (3, {"weight": -1}, {"weights": "weight"}, "weights = -1")])
def test_a_faulty_row_is_named(row, values, arguments, words):
    with pytest.raises(ValueError, match=f"^row {row}\\b.*{words.replace('(', '.')}"):
        moltspan.fit_stadia(changed(row, **values), **arguments)


@pytest.mark.parametrize(("arguments", "words"), [
    ({"formula": "z"}, "no column 'z'"), ({"min_days": "lo"}, "min_days='lo'"), ({"max_days": "hi"}, "max_days='hi'"),
    ({"animal": "who"}, "animal='who'"), ({"family": "gamma"}, "family='gamma'"), ({"method": "mcmc"}, "method='mcmc'"),
    ({"truncation": "none"}, "truncation='none'"), ({"quadrature": -1}, "quadrature = -1"), ({"weights": [1, 2]}, "2 values for 4 rows"),
    ({"method": "bayes", "truncation": "marginal"}, "marginal goes with method = ml"),
    ({"method": "bayes", "priors": {"z": ("normal", 0, 1)}}, "prior of z"),
    ({"priors": {"sigma": ("half_normal", 1)}}, "ml"),
    ({"method": "bayes", "priors": {"sigma": ("normal", 1, 2)}}, "prior of sigma"),
    ({"method": "bayes", "priors": {"sigma": ("cauchy", 1)}}, "prior of sigma"),
    ({"method": "bayes", "priors": {"Intercept": ("normal", 1, -2)}}, "prior of Intercept")])
def test_a_faulty_argument_is_named(arguments, words):
    with pytest.raises(ValueError, match=words):
        moltspan.fit_stadia(FOUR, **arguments)


def test_an_animal_in_two_taxa_is_named():
    rows = pd.concat([FOUR] * 3, ignore_index=True).assign(animal=list("AABBCCDDEEFF"), taxon=list("stssttuuvvww"))
    with pytest.raises(ValueError, match="taxon|animal"):
        moltspan.fit_stadia(rows, animal="animal", taxon="taxon", method="bayes")


def test_watched_from_within_the_bounds_stays_a_probability():
    """Seen first at 50 days, not molted yet: the length lies in (50, 60], whatever min_days says."""
    at = [math.log(40), math.log(0.2)]
    late = moltspan.fit_stadia(lengths([(0, 60), (30, 30), (40, 44)], entry=[50, 0, 0]), entry_days="entry").log_likelihood_at(at)
    rest = moltspan.fit_stadia(lengths([(30, 30), (40, 44)])).log_likelihood_at(at)
    assert late - rest < 0


# ---- laws


def varied(n=60, seed=5):
    """Stadia of 10 animals of every kind of record, with a numeric and a word covariate."""
    rng = np.random.default_rng(seed)
    animal = np.arange(n) % 10
    size = rng.normal(0, 1, n)
    days = np.rint(np.exp(4 + 0.4 * size + 0.2 * rng.standard_normal(10)[animal] + 0.2 * rng.standard_normal(n))) + 5
    kind = np.arange(n) % 4
    low = np.where(kind == 3, np.rint(0.8 * days), np.where(kind == 2, 0, np.where(kind == 1, days - 4, days)))
    high = np.where(kind == 3, np.nan, np.where(kind == 0, days, days + 3))
    return pd.DataFrame({"animal": [f"A{k}" for k in animal], "log_size": size, "sex": np.where(animal % 2, "male", "female"),
                         "min_days": low, "max_days": high})


def numbers(fit):
    return np.array([*fit.coefficients.values(), fit.sigma, fit.animal_sd or 0, fit.log_likelihood])


@pytest.mark.parametrize("method", ["ml", "bayes"])
def test_the_order_of_the_rows_is_of_no_account(method):
    rows = varied()
    shuffled = rows.sample(frac=1, random_state=3)
    first, second = (moltspan.fit_stadia(t, "log_size + sex", animal="animal", method=method) for t in (rows, shuffled))
    # Sums in another order differ in the last digits; the search may stop a step apart: half of the digits of a double.
    assert numbers(first) == pytest.approx(numbers(second), rel=1e-6)


@every_family
def test_weeks_in_place_of_days_move_the_intercept_alone(family):
    days = varied()
    weeks = days.assign(min_days=days.min_days / 7, max_days=days.max_days / 7)
    a, b = (moltspan.fit_stadia(t, "log_size + sex", family=family, animal="animal", quadrature=25) for t in (days, weeks))
    n_exact = (days.min_days == days.max_days).sum()
    assert n_exact > 10
    # f(t / 7) = 7 f(t): a density a week is seven times that a day, a probability stays.
    assert b.log_likelihood == pytest.approx(a.log_likelihood + n_exact * math.log(7), rel=1e-10)
    assert b.coefficients["Intercept"] == pytest.approx(a.coefficients["Intercept"] - math.log(7), rel=1e-6)
    for name in ("log_size", "sex[male]"):
        assert b.coefficients[name] == pytest.approx(a.coefficients[name], rel=1e-5)
        assert b.standard_errors[name] == pytest.approx(a.standard_errors[name], rel=1e-5)
    assert (b.sigma, b.animal_sd) == pytest.approx((a.sigma, a.animal_sd), rel=1e-5)


def test_two_groups_apart_are_the_interacted_fit():
    """Exact log-normal stadia without animals are least squares: coefficients are each group's own, squares about the lines add up."""
    rows = varied()
    rows = rows.assign(max_days=rows.min_days, group=np.where(np.arange(len(rows)) % 3 == 0, "a", "b")).query("min_days > 0")
    both = moltspan.fit_stadia(rows, "group * log_size")
    alone = {name: moltspan.fit_stadia(part, "log_size") for name, part in rows.groupby("group")}
    n = rows.group.value_counts()
    assert len(rows) * both.sigma**2 == pytest.approx(sum(n[name] * fit.sigma**2 for name, fit in alone.items()), rel=1e-6)
    assert both.coefficients["log_size"] == pytest.approx(alone["a"].coefficients["log_size"], rel=1e-5)
    slope = both.coefficients["log_size"] + both.coefficients["group[b]:log_size"]
    assert slope == pytest.approx(alone["b"].coefficients["log_size"], rel=1e-5)
    # Free spreads: the log-likelihoods apart add up to more, by n_i log(sigma / sigma_i) of each group.
    gained = sum(n[name] * math.log(both.sigma / fit.sigma) for name, fit in alone.items())
    assert sum(fit.log_likelihood for fit in alone.values()) == pytest.approx(both.log_likelihood + gained, rel=1e-9)


def test_a_weight_is_so_many_rows():
    rows = varied().assign(weight=lambda t: 1.0 + np.arange(len(t)) % 3)
    repeated = rows.loc[rows.index.repeat(rows.weight.astype(int))]
    weighted = moltspan.fit_stadia(rows, "log_size", weights="weight")
    alone = moltspan.fit_stadia(repeated, "log_size")
    # Start values differ, and the search stops where a step gains nothing: half of the digits of a double.
    assert numbers(weighted) == pytest.approx(numbers(alone), rel=1e-6)
    assert list(weighted.standard_errors.values()) == pytest.approx(list(alone.standard_errors.values()), rel=1e-6)


def test_a_start_range_of_nothing_is_none():
    rows = varied().assign(none=0.0, tiny=1e-7)
    plain = moltspan.fit_stadia(rows, "log_size")
    assert numbers(moltspan.fit_stadia(rows, "log_size", start_range_days="none")) == pytest.approx(numbers(plain), rel=1e-12)
    # A ten-millionth of a day, against stadia of 30 days and more.
    assert numbers(moltspan.fit_stadia(rows, "log_size", start_range_days="tiny")) == pytest.approx(numbers(plain), rel=1e-5)


def test_entry_at_the_very_beginning_divides_by_nothing():
    rows = varied().assign(entry=1e-6)
    for truncation in ("conditional", "marginal"):
        fit = moltspan.fit_stadia(rows, "log_size", animal="animal", entry_days="entry", truncation=truncation, quadrature=25)
        plain = moltspan.fit_stadia(rows, "log_size", animal="animal", quadrature=25)
        assert numbers(fit) == pytest.approx(numbers(plain), rel=1e-8)


@pytest.mark.parametrize("kind", ["polars", "pyarrow"])
def test_frames_come_back_as_they_came(kind):
    module = pytest.importorskip(kind)
    pandas_rows = varied()
    rows = module.from_pandas(pandas_rows) if kind == "polars" else module.Table.from_pandas(pandas_rows)
    fit = moltspan.fit_stadia(rows, "log_size + sex", animal="animal")
    plain = moltspan.fit_stadia(pandas_rows, "log_size + sex", animal="animal")
    assert numbers(fit).tolist() == numbers(plain).tolist()
    for ours, frame in ((fit.predict(rows), plain.predict(pandas_rows)), (fit.forecast(), plain.forecast())):
        assert type(ours).__module__.startswith(kind)
        back = ours.to_pandas()
        assert list(back.columns) == list(frame.columns)
        assert back.to_numpy(dtype=float).tolist() == frame.to_numpy(dtype=float).tolist()


@pytest.mark.parametrize("method", ["ml", "bayes"])
@every_family
def test_bands_are_ordered_and_wider_for_a_new_animal(family, method):
    rows = varied()
    fit = moltspan.fit_stadia(rows, "log_size + sex", family=family, method=method, animal="animal")
    known = fit.predict(rows)
    new = fit.predict(rows.assign(animal="never seen"))
    for bands in (known, new):
        for low, high in (("mean_lower", "estimate"), ("estimate", "mean_upper"), ("new_lower", "mean_lower"), ("mean_upper", "new_upper")):
            assert (bands[low] < bands[high]).all(), (low, high)
    log_width = [np.log(bands.new_upper / bands.new_lower) for bands in (known, new)]
    assert (log_width[1] > log_width[0]).all()
    wider = fit.predict(rows, level=0.99)
    assert (wider.new_upper > known.new_upper).all()
    assert (wider.new_lower < known.new_lower).all()
    assert np.log(known.estimate).groupby(rows.animal).mean().std() > 0.05  # animals differ: animal_sd is .2
    with pytest.raises(ValueError, match="row 0, animal = 'never seen'"):
        fit.predict(rows.assign(animal="never seen"), new_animal="error")
    with pytest.raises(ValueError, match="level"):
        fit.predict(rows, level=95)


@pytest.mark.parametrize("method", ["ml", "bayes"])
@every_family
def test_forecasts_lie_beyond_what_has_passed_and_rise(family, method):
    rows = varied()
    fit = moltspan.fit_stadia(rows, "log_size", family=family, method=method, animal="animal")
    forecast = fit.forecast()
    assert list(forecast.row) == list(np.flatnonzero(rows.max_days.isna()))
    assert list(forecast.elapsed_days) == list(rows.min_days[rows.max_days.isna()])
    assert list(forecast.columns[2:]) == ["q0.025", "q0.1", "q0.25", "q0.5", "q0.75", "q0.9", "q0.975"]
    assert (forecast["q0.025"] > forecast.elapsed_days).all()
    assert (np.diff(forecast.iloc[:, 2:].to_numpy(), axis=1) > 0).all()
    again = fit.forecast()
    assert forecast.equals(again)  # no random numbers
    with pytest.raises(ValueError, match="between 0 and 1"):
        fit.forecast(quantiles=(0, 0.5))


def test_longer_waiting_moves_the_whole_forecast_later():
    rows = varied().query("not max_days.isna()")
    medians = []
    for waited in (5.0, 40.0, 80.0, 160.0, 1000.0):
        one = pd.DataFrame({"animal": ["A0"], "log_size": [0.0], "sex": ["female"], "min_days": [waited], "max_days": [np.nan]})
        medians.append(moltspan.fit_stadia(pd.concat([rows, one]), "log_size", animal="animal").forecast()["q0.5"].iloc[0])
        assert medians[-1] > waited
    assert medians == sorted(medians)


def test_a_fit_cannot_be_changed():
    fit = moltspan.fit_stadia(varied(), "log_size")
    for name in ("sigma", "health", "anything"):
        with pytest.raises(AttributeError):
            setattr(fit, name, 1)
    with pytest.raises(AttributeError):
        del fit.asked
    with pytest.raises(TypeError):
        fit.asked["family"] = "weibull"
    fit.coefficients["Intercept"] = 99
    assert fit.coefficients["Intercept"] < 10


def test_the_table_of_the_caller_stays_as_it_was():
    rows = varied()
    before = rows.copy()
    moltspan.fit_stadia(rows, "log_size + sex", animal="animal").predict(rows)
    assert rows.equals(before)


def test_a_fit_reads_as_a_table():
    fit = moltspan.fit_stadia(varied(), "log_size + sex", animal="animal")
    text = repr(fit)
    for word in ("log_size", "sex[male]", "sigma", "animal_sd", "log-likelihood", "health"):
        assert word in text
    assert "<table" in fit._repr_html_()
    interval = fit.interval(level=0.95)
    row = interval.loc["log_size"]
    assert row.upper - row.estimate == pytest.approx(1.959964 * fit.standard_errors["log_size"], rel=1e-6)
    assert 0 < interval.loc["sigma"].lower < fit.sigma < interval.loc["sigma"].upper


# ---- three troubles that look alike in the information: values that run away, an sd at 0, spreads that cannot be told apart
