"""The growth mixed model against exact arithmetic, published tables and other software, and its laws."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import moltspan

REFERENCE = Path(__file__).parent.parent / "reference"


def answers(name):
    return json.loads((REFERENCE / name / "answers.json").read_text())


def identity(table, response, formula, random, animal, method="reml", **more):
    return moltspan.fit_growth(table, size=response, animal=animal, formula=formula, random=random, method=method, response="identity", **more)


# Outside truth: own 40-digit arithmetic (tests/reference/lmm_*). Tolerances: the maximum is found to a decrement of 1e-9 in the deviance,
# which leaves 1e-16 of the criterion and at most 3e-5 of a standard error, quadratically convergent, in the parameters.

@pytest.mark.parametrize("method", ["ml", "reml"])
@pytest.mark.parametrize("random, model", [("1 + instar", "slope"), ("1", "int")])
def test_exact_answers(method, random, model):
    exact = answers(f"lmm_growth_{method}")["models"][model]["exact"]
    table = pd.read_csv(REFERENCE / f"lmm_growth_{method}" / "growth.csv")
    table["size"] = np.exp(table.log_size)
    fit = moltspan.fit_growth(table, size="size", random=random, method=method)
    assert fit.log_likelihood == pytest.approx(float(exact["loglik"]), rel=1e-10)
    assert list(fit.coefficients.values()) == pytest.approx(exact["coef"], rel=1e-7)
    assert list(fit.standard_errors.values()) == pytest.approx(exact["se"], rel=1e-6)
    assert fit.sigma == pytest.approx(exact["sigma"], rel=1e-6)
    assert fit.animal_sd["Intercept"] == pytest.approx(exact["sd_intercept"], rel=1e-6)
    if model == "slope":
        assert fit.animal_sd["instar"] == pytest.approx(exact["sd_instar"], rel=1e-6)
        assert fit.animal_correlation == pytest.approx(exact["corr"], abs=1e-6)
    assert fit.health.state == "good"


def test_exact_answer_of_days_on_covariates():
    exact = answers("lmm_interval")["exact"]
    table = pd.read_csv(REFERENCE / "lmm_interval" / "records.csv")
    table = table[table.event == 1] if "event" in table else table
    fit = moltspan.fit_growth(table, size="t_exact", formula="log_size + sex", random="1")
    assert fit.log_likelihood == pytest.approx(float(exact["loglik"]), rel=1e-10)
    assert list(fit.coefficients) == ["Intercept", "log_size", "sex[male]", "sex[unknown]"]
    assert list(fit.coefficients.values()) == pytest.approx(exact["coef"], rel=1e-6)
    assert list(fit.standard_errors.values()) == pytest.approx(exact["se"], rel=1e-6)
    assert fit.sigma == pytest.approx(exact["sigma"], rel=1e-6)
    assert fit.animal_sd["Intercept"] == pytest.approx(exact["sd_intercept"], rel=1e-6)


# Published and documented answers (tests/reference/published_lmm/SOURCE.md). Their optimisers stop early: variances to 1e-4.

def lmm_table(name):
    return pd.read_csv(REFERENCE / "published_lmm" / f"{name}.csv")


SLEEP = [  # random, correlated, method, -2 log-likelihood, variance of intercept and slope, correlation, residual variance
    ("1 + Days", True, "reml", 1743.628272, 612.100158025, 35.071714451, 0.06555123824, 654.940008260),
    ("1 + Days", True, "ml", 1751.939344, 565.51496386, 32.68223549, 0.08131959786, 654.94100029),
    ("1 + Days", False, "reml", 1743.669294, 627.56905084, 35.85837964, 0, 653.58350065),
    ("1", True, "reml", 1786.465085, 1378.1785138, None, None, 960.4565786),
    ("1", True, "ml", 1794.078643, None, None, None, None),
]


@pytest.mark.parametrize("random, correlated, method, criterion, intercept, slope, correlation, residual", SLEEP)
def test_sleepstudy(random, correlated, method, criterion, intercept, slope, correlation, residual):
    fit = identity(lmm_table("sleepstudy"), "Reaction", "Days", random, "Subject", method, correlated=correlated)
    assert -2 * fit.log_likelihood == pytest.approx(criterion, abs=1e-6)  # digits printed
    assert list(fit.coefficients.values()) == pytest.approx([251.405104848485, 10.467285959595], rel=1e-11)  # balanced: pooled OLS
    if intercept:
        assert fit.animal_sd["Intercept"] ** 2 == pytest.approx(intercept, rel=1e-4)
        assert fit.sigma ** 2 == pytest.approx(residual, rel=1e-5)
    if slope:
        assert fit.animal_sd["Days"] ** 2 == pytest.approx(slope, rel=1e-4)
        assert fit.animal_correlation == pytest.approx(correlation, abs=1e-5)


def test_sleepstudy_errors_and_modes():
    fit = identity(lmm_table("sleepstudy"), "Reaction", "Days", "1 + Days", "Subject")
    assert list(fit.standard_errors.values()) == pytest.approx([6.824596695, 1.545789643], rel=2e-5)
    modes = fit.animal_effects
    assert modes.loc["308"].tolist() == pytest.approx([2.25855095, 9.198975766], rel=1e-4)
    assert modes.loc["309"].tolist() == pytest.approx([-40.39873808, -8.619680615], rel=1e-4)
    known = fit.predict(pd.DataFrame({"Subject": [308], "Days": [0.0]}))
    assert known.estimate[0] == pytest.approx(251.405104848 + 2.25855095, rel=1e-6)


def test_dyestuff_is_the_analysis_of_variance():
    table = lmm_table("dyestuff")
    fit = identity(table, "Yield", "1", "1", "Batch")
    means = table.groupby("Batch").Yield.mean()
    within = table.groupby("Batch").Yield.var().mean()
    assert fit.sigma ** 2 == pytest.approx(within, rel=1e-9) == pytest.approx(2451.25, rel=1e-9)
    assert fit.animal_sd["Intercept"] ** 2 == pytest.approx(means.var() - within / 5, rel=1e-8)  # 1764.05 by hand
    assert -2 * fit.log_likelihood == pytest.approx(319.6542768, abs=1e-6)
    ml = identity(table, "Yield", "1", "1", "Batch", "ml")
    assert ml.animal_sd["Intercept"] ** 2 == pytest.approx(1388.0 + 1 / 3, rel=1e-8)  # closed form
    assert -2 * ml.log_likelihood == pytest.approx(327.3270599, abs=1e-6)


def test_orthodont():
    table = lmm_table("orthodont")
    fit = identity(table, "distance", "age", "1 + age", "Subject")
    assert fit.log_likelihood == pytest.approx(-221.3183429, abs=1e-6)
    assert list(fit.coefficients.values()) == pytest.approx([16.761111, 0.660185], abs=6e-7)
    assert list(fit.standard_errors.values()) == pytest.approx([0.7752460, 0.0712533], abs=6e-7)
    assert fit.sigma == pytest.approx(1.3100397, abs=1e-6)
    # nlme's own optimiser stops within about 1e-6 of these
    assert [*fit.animal_sd.values(), fit.animal_correlation] == pytest.approx([2.3270341, 0.2264278, -0.609], abs=5e-4)
    single = identity(table, "distance", "age", "1", "Subject")
    assert single.log_likelihood == pytest.approx(-223.5012578, abs=1e-6)
    assert [single.animal_sd["Intercept"], single.sigma] == pytest.approx([2.114723507, 1.431592127], rel=1e-6)
    ml = identity(table, "distance", "age", "1", "Subject", "ml")
    assert [ml.log_likelihood, ml.animal_sd["Intercept"], ml.sigma] == pytest.approx([-221.694771, 2.072142095, 1.422727694], rel=1e-6)


DEGREES = {"sleepstudy": ("sleepstudy", "1 + Days", True), "sleepstudy_intercept": ("sleepstudy", "1", True),
           "lopsided": ("lopsided", "1 + Days", True), "lopsided_apart": ("lopsided", "1 + Days", False)}


def degrees_table(name):
    table = lmm_table("sleepstudy")
    if name == "lopsided":  # as in degrees_of_freedom.R
        order = table.Subject.rank(method="dense").astype(int)
        table = table[~(table.Subject.isin([308, 309]) & (table.Days > 1)) & ((order + table.Days) % 3 != 0)]
    return table


@pytest.mark.parametrize("name", DEGREES)
def test_degrees_of_freedom_of_lmertest_and_pbkrtest(name):
    wanted = json.loads((REFERENCE / "published_lmm" / "degrees_of_freedom.json").read_text())[name]
    data, random, correlated = DEGREES[name]
    fit = identity(degrees_table(data), "Reaction", "Days", random, "Subject", correlated=correlated)
    # lmerTest differentiates numerically at lmer's optimum: 4 digits
    assert list(fit.degrees_of_freedom().values()) == pytest.approx(wanted["satterthwaite"], rel=2e-4)
    assert list(fit.degrees_of_freedom("kenward_roger").values()) == pytest.approx(wanted["kr"], rel=2e-5)
    found = fit.interval(0.95, degrees="kenward_roger").iloc[:2]
    from scipy.stats import t

    errors = (found.upper - found.lower) / 2 / t.ppf(0.975, found.degrees_of_freedom)
    assert errors.tolist() == pytest.approx(wanted["kr_se"], rel=2e-5)


# Published: mantids of one ootheca (tests/reference/published_mantids/SOURCE.md).

@pytest.fixture(scope="module")
def mantids():
    return pd.read_csv(REFERENCE / "published_mantids" / "table_c.csv", dtype={"id": str})


def test_mantids_grow_by_the_cube_root_of_two(mantids):
    lengths = mantids.dropna(subset=["animal_mm"])
    fit = moltspan.fit_growth(lengths, size="animal_mm", instar="molt", animal="id", random="1", method="reml")
    ratio = fit.growth_ratio()
    assert ratio.ratio == pytest.approx(1.258957099, abs=5e-9)
    assert ratio.lower < 2 ** (1 / 3) < ratio.upper and ratio.p_value > 0.5  # the paper's statement: 1.26
    assert list(fit.coefficients.values()) == pytest.approx([0.8975476659, 0.2302836787], rel=1e-8)
    assert list(fit.standard_errors.values()) == pytest.approx([0.0350479587, 0.0043282074], rel=1e-6)
    assert [fit.animal_sd["Intercept"], fit.sigma] == pytest.approx([0.08487656795, 0.05664085870], rel=1e-6)
    assert -2 * fit.log_likelihood == pytest.approx(-276.3568873, abs=1e-6)
    ml = moltspan.fit_growth(lengths, size="animal_mm", instar="molt", animal="id", random="1")
    assert ml.log_likelihood == pytest.approx(145.9800107, abs=1e-6)
    assert [ml.animal_sd["Intercept"], ml.sigma] == pytest.approx([0.08354377380, 0.05633292304], rel=1e-6)


def test_mantids_double_their_weight(mantids):
    fit = moltspan.fit_growth(mantids.dropna(subset=["animal_g"]), size="animal_g", instar="molt", animal="id", random="1", method="reml")
    assert fit.growth_ratio().ratio == pytest.approx(2.017925021, abs=1e-8)
    assert [fit.animal_sd["Intercept"], fit.sigma] == pytest.approx([0.1893413632, 0.2888195025], rel=1e-6)
    assert -2 * fit.log_likelihood == pytest.approx(82.84310951, abs=1e-6)


@pytest.fixture(scope="module")
def mantid_days():
    wide = pd.read_csv(REFERENCE / "published_mantids" / "table_f.csv", dtype={"id": str})
    long = wide.melt(id_vars=["id", "sex"], var_name="step", value_name="days").dropna(subset=["days"])
    long["k"] = long.step.map({name: 6 + i for i, name in enumerate(wide.columns[2:])})
    last = long.groupby("id").k.transform("max")
    long["final"] = ((long.k == last) & long.sex.notna()).astype(float)
    return long


def test_mantid_intervals(mantid_days):
    assert len(mantid_days) == 126
    fit = moltspan.fit_growth(mantid_days, size="days", animal="id", formula="k", random="1", method="reml")
    assert list(fit.coefficients.values()) == pytest.approx([0.5646691471, 0.3207689757], rel=1e-6)
    assert list(fit.standard_errors.values()) == pytest.approx([0.1520299913, 0.0199523622], rel=1e-6)
    assert [fit.animal_sd["Intercept"], fit.sigma] == pytest.approx([0.04254379, 0.28186423], abs=2e-7)  # flat: lmer's own tolerance
    assert -2 * fit.log_likelihood == pytest.approx(50.63864258, abs=1e-6)
    ml = moltspan.fit_growth(mantid_days, size="days", animal="id", formula="k", random="1")
    assert -2 * ml.log_likelihood == pytest.approx(39.17924252, abs=1e-6)
    final = moltspan.fit_growth(mantid_days, size="days", animal="id", formula="k + final", random="1", method="reml")
    assert final.coefficients["final"] == pytest.approx(0.6172968293, rel=1e-6)
    assert -2 * final.log_likelihood == pytest.approx(-3.111314624, abs=1e-6)
    steps = mantid_days.assign(step=mantid_days.k.map("{:02d}".format))
    factor = moltspan.fit_growth(steps, size="days", animal="id", formula="step", random="1", method="reml")
    assert -2 * factor.log_likelihood == pytest.approx(21.42510358, abs=1e-6)
    assert list(factor.coefficients.values()) == pytest.approx([2.6005069647, 0.0560638360, 0.4325440455, 1.0607113252, 1.0988709406], rel=2e-6)


# Laws.

def animals(n=12, points=5, seed=3, slope_sd=0.02, cohorts=0, sd=0.1):
    rng = np.random.default_rng(seed)
    animal = np.repeat(np.arange(n), points)
    instar = np.tile(np.arange(2.0, 2 + points), n)
    cohort = animal % cohorts if cohorts else np.zeros(len(animal), int)
    size = (2.2 + 0.25 * instar + rng.normal(0, sd, n)[animal] + (instar - 4) * rng.normal(0, slope_sd, n)[animal] +
            rng.normal(0, 0.15, max(cohorts, 1))[cohort] * (cohorts > 0) + rng.normal(0, 0.04, len(animal)))
    return pd.DataFrame({"animal": [f"A{a:02d}" for a in animal], "instar": instar, "leg_span_mm": np.exp(size), "cohort": cohort.astype(str)})


def same(a, b, rel=1e-8):
    assert a.log_likelihood == pytest.approx(b.log_likelihood, rel=1e-11)
    assert list(a.coefficients.values()) == pytest.approx(list(b.coefficients.values()), rel=rel)
    assert list(a.animal_sd.values()) == pytest.approx(list(b.animal_sd.values()), rel=1e-6)


def test_order_of_rows_and_names_of_animals_do_not_matter():
    table = animals()
    fit = moltspan.fit_growth(table, method="reml")
    shuffled = table.sample(frac=1, random_state=1)
    same(moltspan.fit_growth(shuffled, method="reml"), fit)
    renamed = table.assign(animal=table.animal.map(lambda name: "z" + name[::-1]))
    same(moltspan.fit_growth(renamed, method="reml"), fit)
    new = pd.DataFrame({"animal": ["A03", "new"], "instar": [8.0, 8.0]})
    assert np.allclose(moltspan.fit_growth(shuffled, method="reml").predict(new), fit.predict(new), rtol=1e-6)


def test_inches_shift_the_intercept_alone():
    table = animals()
    mm, inches = (moltspan.fit_growth(table.assign(leg_span_mm=table.leg_span_mm / unit), method="reml") for unit in (1, 25.4))
    assert inches.coefficients["Intercept"] == pytest.approx(mm.coefficients["Intercept"] - np.log(25.4), rel=1e-9)
    assert inches.coefficients["instar"] == pytest.approx(mm.coefficients["instar"], rel=1e-9)
    assert inches.log_likelihood == pytest.approx(mm.log_likelihood, rel=1e-11)
    assert list(inches.animal_sd.values()) == pytest.approx(list(mm.animal_sd.values()), rel=1e-7)
    new = pd.DataFrame({"animal": ["A03", "new"], "instar": [8.0, 8.0]})
    assert np.allclose(inches.predict(new) * 25.4, mm.predict(new), rtol=1e-7)


def test_two_groups_apart_against_one_stratified_fit():
    """With spreads held equal, log-likelihoods of two groups add up to that of the fit with a line for each."""
    first, second = animals(seed=3).assign(group="a"), animals(seed=4).assign(group="b", animal=lambda t: "b" + t.animal)
    both = moltspan.fit_growth(pd.concat([first, second]), formula="group * instar")
    alone = [moltspan.fit_growth(part) for part in (first, second)]
    # At the relative spreads of the joint fit: -2 log-likelihood = log|V| + N log(squares / N) + N (log 2 pi + 1), where log|V| (by numpy, from
    # the definition) and squares of the groups add up.
    relative = both._core.effect_covariance / both.sigma ** 2
    squares, log_determinants, n = [], [], [len(first), len(second)]
    for part, fit in zip((first, second), alone, strict=True):
        z = np.column_stack([np.ones(len(part)), part.instar])
        v = (part.animal.to_numpy()[:, None] == part.animal.to_numpy()) * (z @ relative @ z.T) + np.eye(len(part))
        log_determinants.append(np.linalg.slogdet(v)[1])
        deviance = -2 * moltspan._core.mixed_log_likelihood(fit._core, relative)
        squares.append(len(part) * np.exp((deviance - log_determinants[-1]) / len(part) - np.log(2 * np.pi) - 1))
    total = sum(log_determinants) + sum(n) * (np.log(sum(squares) / sum(n)) + np.log(2 * np.pi) + 1)
    assert both.log_likelihood == pytest.approx(-0.5 * total, rel=1e-10)
    assert both.sigma ** 2 == pytest.approx(sum(squares) / sum(n), rel=1e-8)
    lines = both.coefficients
    for fit in alone:
        assert np.isfinite(fit.log_likelihood)
    assert both.log_likelihood <= sum(fit.log_likelihood for fit in alone) + 1e-9  # freer: own spreads
    assert lines["instar"] == pytest.approx(alone[0].coefficients["instar"], abs=1e-9)  # balanced: least squares whatever the spreads
    assert lines["instar"] + lines["group[b]:instar"] == pytest.approx(alone[1].coefficients["instar"], abs=1e-9)


def test_two_groups_apart_without_animals_are_the_interacted_fit():
    """Least squares: coefficients are those of each group alone, squares about the lines add up."""
    first, second = animals(seed=3).assign(group="a"), animals(n=7, seed=4).assign(group="b")
    both = moltspan.fit_growth(pd.concat([first, second]), formula="group * instar", animal=None)
    alone = [moltspan.fit_growth(part, animal=None) for part in (first, second)]
    n = [len(first), len(second)]
    assert sum(n) * both.sigma ** 2 == pytest.approx(sum(k * fit.sigma ** 2 for k, fit in zip(n, alone, strict=True)), rel=1e-10)
    assert both.log_likelihood == pytest.approx(-0.5 * sum(n) * (np.log(2 * np.pi * both.sigma ** 2) + 1), rel=1e-12)
    assert both.coefficients["instar"] == pytest.approx(alone[0].coefficients["instar"], rel=1e-9)
    assert both.coefficients["instar"] + both.coefficients["group[b]:instar"] == pytest.approx(alone[1].coefficients["instar"], rel=1e-9)


@pytest.mark.parametrize("method", ["ml", "reml"])
def test_weeks_for_days_rescale_the_slope_and_its_spread(method):
    table = animals().assign(day=lambda t: 40 * t.instar)
    days, weeks = (moltspan.fit_growth(table.assign(time=table.day / unit), formula="time", random="1 + time", method=method) for unit in (1, 7))
    # REML has -1/2 log|X'V^-1 X|, which a column in other units moves by its logarithm.
    assert weeks.log_likelihood - np.log(7) * (method == "reml") == pytest.approx(days.log_likelihood, rel=1e-10)
    assert weeks.coefficients["time"] == pytest.approx(7 * days.coefficients["time"], rel=1e-8)
    assert weeks.standard_errors["time"] == pytest.approx(7 * days.standard_errors["time"], rel=1e-6)
    assert weeks.animal_sd["time"] == pytest.approx(7 * days.animal_sd["time"], rel=1e-6)
    assert weeks.animal_correlation == pytest.approx(days.animal_correlation, abs=1e-6)


def test_the_search_ends_at_a_maximum():
    fit = moltspan.fit_growth(animals(), method="reml")
    relative = fit._core.effect_covariance / fit.sigma ** 2
    assert moltspan._core.mixed_log_likelihood(fit._core, relative) == pytest.approx(fit.log_likelihood, rel=1e-12)
    for direction in (np.diag([1.0, 0]), np.diag([0, 1.0]), np.array([[0, 1.0], [1, 0]])):
        for sign in (-0.02, 0.02):
            moved = relative * (1 + sign * direction)
            assert moltspan._core.mixed_log_likelihood(fit._core, moved) < fit.log_likelihood


def dense_log_likelihood(table, fit, reml):
    """By numpy from the whole covariance matrix, the definition."""
    x = np.column_stack([np.ones(len(table)), table.instar])
    y = np.log(table.leg_span_mm.to_numpy())
    same_animal = table.animal.to_numpy()[:, None] == table.animal.to_numpy()
    same_cohort = table.cohort.to_numpy()[:, None] == table.cohort.to_numpy()
    v = same_animal * (x @ fit._core.effect_covariance @ x.T) + same_cohort * (fit.cohort_sd or 0) ** 2 + np.eye(len(y)) * fit.sigma ** 2
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    left = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    n = len(y) - 2 * reml
    value = -0.5 * (n * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + left @ inverse @ left)
    return value - 0.5 * reml * np.linalg.slogdet(information)[1], np.linalg.solve(information, x.T @ inverse @ y)


@pytest.mark.parametrize("method", ["ml", "reml"])
def test_cohorts_against_dense_algebra(method):
    table = animals(n=24, cohorts=6, seed=8)
    fit = moltspan.fit_growth(table, cohort="cohort", method=method)
    value, beta = dense_log_likelihood(table, fit, method == "reml")
    assert fit.log_likelihood == pytest.approx(value, rel=1e-10)
    assert list(fit.coefficients.values()) == pytest.approx(beta.tolist(), rel=1e-8)
    assert fit.cohort_sd > 0.05
    ignored = moltspan.fit_growth(table, method=method)
    assert ignored.log_likelihood < fit.log_likelihood
    assert ignored.standard_errors["Intercept"] < fit.standard_errors["Intercept"]  # sibs are no replicates


def test_known_animals_have_narrower_bands_than_new_ones():
    fit = moltspan.fit_growth(animals(), method="reml")
    bands = fit.predict(pd.DataFrame({"animal": ["A03", "new"], "instar": [5.0, 5.0]}), level=0.95)
    width = np.log(bands.new_upper / bands.new_lower)
    assert width[0] < width[1]
    assert (bands.new_lower < bands.mean_lower).all() and (bands.mean_upper < bands.new_upper).all()
    assert (bands.mean_lower < bands.estimate).all() and (bands.estimate < bands.mean_upper).all()


def test_many_animals_meet_the_textbook_band():
    """With spreads nearly known the band of a new animal is x'b +- z sqrt(sigma^2 + z'Gz + error)."""
    table = animals(n=300, seed=5)
    fit = moltspan.fit_growth(table, method="reml")
    x = np.array([1, 5.0])
    variance = fit.sigma ** 2 + x @ fit._core.effect_covariance @ x + x @ fit._core.covariance @ x
    bands = fit.predict(pd.DataFrame({"animal": ["new"], "instar": [5.0]}), level=0.95)
    assert np.log(bands.new_upper[0] / bands.new_lower[0]) == pytest.approx(2 * 1.959964 * np.sqrt(variance), rel=2e-3)  # t of 1498 df


# Weak and faulty tables.

def test_an_sd_at_zero_is_reported_as_zero():
    rng = np.random.default_rng(2)
    table = animals(sd=0).assign(leg_span_mm=lambda t: np.exp(2 + 0.25 * t.instar + rng.normal(0, 0.05, len(t))))
    centered = table.assign(y=np.log(table.leg_span_mm))
    table["leg_span_mm"] = np.exp(centered.y - centered.groupby("animal").y.transform("mean") + 0.25 * 4)  # no spread between animals at all
    fit = moltspan.fit_growth(table, random="1", method="reml")
    assert fit.animal_sd["Intercept"] == 0
    assert fit.health.state == "warning" and "on its bound, 0" in str(fit.health)
    interval = fit.interval()
    assert interval.lower["animal_sd[Intercept]"] == 0 < interval.upper["animal_sd[Intercept]"] < 0.1
