"""Growth as a posterior: against a long Markov chain, REML, dense algebra; laws; what it says of itself."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import moltspan

REFERENCE = Path(__file__).parent.parent / "reference"


def animals(n=8, points=5, seed=3, slope_sd=0.02, step=0, cohorts=0, sd=0.1, sigma=0.04):
    """Invented leg spans by the textbook law of growth."""
    rng = np.random.default_rng(seed)
    animal, instar = np.repeat(np.arange(n), points), np.tile(np.arange(1.0, 1 + points), n)
    of_cohort = rng.normal(0, 0.15, max(cohorts, 1))[animal % max(cohorts, 1)] * (cohorts > 0)
    size = 2.2 + 0.25 * instar + of_cohort + rng.normal(0, sd, n)[animal] + instar * rng.normal(0, slope_sd, n)[animal]
    mm = np.exp(size + rng.normal(0, sigma, len(animal)))
    return pd.DataFrame({"animal": [f"A{a:02d}" for a in animal], "instar": instar, "leg_span_mm": np.maximum(step * np.round(mm / step), step) if step else mm,
                         "cohort": [f"c{a % max(cohorts, 1)}" for a in animal]})


def bayes(table, **more):
    return moltspan.fit_growth(table, method="bayes", **{"form": "constant", **more})


# Outside truth: a Markov chain by numpy and emcee, tests/reference/growth_bayes_sampler.

# The chain is sure to 2 % of an sd, the lattice over four spreads leaves as much, expectation propagation of intervals as wide as the spread of
# readings more: .13 to .15 sds of the spread of slopes, by which way the axes of the lattice point.

@pytest.mark.parametrize("case, column, step, of_mean, of_sd, of_width", [("exact", "size_mm", 0, 0.05, 0.06, 0.02),
                                                                         ("rounded", "rounded_mm", 5, 0.18, 0.1, 0.06)])
def test_posterior_meets_a_long_markov_chain(case, column, step, of_mean, of_sd, of_width):
    folder = REFERENCE / "growth_bayes_sampler"
    table = pd.read_csv(folder / "readings.csv", dtype={"animal": str})
    want = json.loads((folder / "answers.json").read_text())[case]
    priors = {"Intercept": ("normal", 2.3, 2.5), "instar": ("normal", 0.25, 0.35), "sigma": ("half_normal", 0.2),
              "animal_sd[Intercept]": ("half_normal", 0.5), "animal_sd[instar]": ("half_normal", 0.1)}
    fit = bayes(table, size=column, reading_step_mm=step, priors=priors)
    found = fit.interval()
    for name, mean in want["mean"].items():
        assert found.estimate[name] == pytest.approx(mean, abs=of_mean * want["sd"][name])
        assert found.sd[name] == pytest.approx(want["sd"][name], rel=of_sd)
    asked = pd.DataFrame({"animal": ["0", "new"], "instar": [6.0, 6.0]})
    for level, low, high in ((0.5, 2, 4), (0.8, 1, 5), (0.95, 0, 6)):
        bands = fit.predict(asked, level=level)
        for row, name in enumerate(("known", "new")):
            width = want["next"][name][5] - want["next"][name][1]
            assert np.log(bands.new_lower[row]) == pytest.approx(want["next"][name][low], abs=of_width * width)
            assert np.log(bands.new_upper[row]) == pytest.approx(want["next"][name][high], abs=of_width * width)


# Outside truth: dense grids by numpy, tests/reference/growth_bayes_grid, sure to .1 % of an sd. In `few` a lattice about the mode had 7 effective
# points, in `orthodont` a correlation of -.30 for -.11.

@pytest.mark.parametrize("case, settings", [("few", {"formula": "instar"}), ("orthodont", {"size": "distance", "formula": "age", "random": "1 + age",
                                                                                         "animal": "Subject", "response": "identity"})])
def test_posterior_meets_a_dense_grid(case, settings):
    want = json.loads((REFERENCE / "growth_bayes_grid" / "answers.json").read_text())[case]
    folder = "published_lmm" if case == "orthodont" else "growth_bayes_grid"
    fit = bayes(pd.read_csv(REFERENCE / folder / f"{case}.csv"), **settings)
    found = fit.interval().rename(index=lambda name: name.replace(settings["formula"], "slope"))
    assert set(want) == set(found.index)
    for name, truth in want.items():
        assert found.estimate[name] == pytest.approx(truth["mean"], abs=0.12 * truth["sd"])  # of 7 other lattices the worst was off by .12
        assert found.sd[name] == pytest.approx(truth["sd"], rel=0.13)


# Outside truth: REML answers of documented tables (tests/reference/published_lmm); a posterior under wide priors comes near them. Errors of
# orthodont are .99 of REML's in truth (growth_bayes_grid).

@pytest.mark.parametrize("name, response, formula, random, animal", [("orthodont", "distance", "age", "1 + age", "Subject"),
                                                                     ("sleepstudy", "Reaction", "Days", "1 + Days", "Subject")])
def test_wide_priors_come_near_reml(name, response, formula, random, animal):
    table = pd.read_csv(REFERENCE / "published_lmm" / f"{name}.csv")
    settings = {"size": response, "formula": formula, "random": random, "animal": animal, "response": "identity"}
    reml, fit = moltspan.fit_growth(table, method="reml", **settings), bayes(table, **settings)
    for term, error in reml.standard_errors.items():
        assert fit.coefficients[term] == pytest.approx(reml.coefficients[term], abs=0.05 * error)
        assert 0.98 < fit.standard_errors[term] / error < 1.15
    assert fit.sigma == pytest.approx(reml.sigma, rel=0.09)  # .062 off in truth
    found = fit.interval()
    for effect, sd in reml.animal_sd.items():
        assert found.lower[f"animal_sd[{effect}]"] < sd < found.upper[f"animal_sd[{effect}]"]
    assert found.lower["animal_correlation"] < reml.animal_correlation < found.upper["animal_correlation"]


def test_mantids_grow_by_the_cube_root_of_two():
    # Przibram and Megusar 1912 (tests/reference/published_mantids): a ratio of 1.26; REML gives 1.258957 +- .0054.
    table = pd.read_csv(REFERENCE / "published_mantids" / "table_c.csv", dtype={"id": str}).dropna(subset=["animal_mm"])
    ratio = moltspan.fit_growth(table, size="animal_mm", instar="molt", animal="id", random="1", method="bayes", form="constant").growth_ratio()
    assert ratio.ratio == pytest.approx(1.2590, abs=0.002)
    assert ratio.lower < 2 ** (1 / 3) < ratio.upper and 0.05 < ratio.chance_larger < 0.95


def dense_log_marginal(table, fit, hyper):
    """By numpy from one covariance matrix of all readings, coefficients included."""
    core, spreads = fit._core, dict(zip(fit._core.spread_names, hyper, strict=True))
    x = np.column_stack([np.ones(len(table)), table.instar])
    s0, s1, r = np.exp(spreads["animal_sd[Intercept]"]), np.exp(spreads["animal_sd[instar]"]), np.tanh(spreads["animal_correlation"])
    own = np.array([[s0 * s0, r * s0 * s1], [r * s0 * s1, s1 * s1]])
    same = {name: table[name].to_numpy()[:, None] == table[name].to_numpy() for name in ("animal", "cohort")}
    first = np.minimum.outer(table.instar.to_numpy(), table.instar.to_numpy()) - table.instar.min()
    prior = {name: law for name, law in fit.priors.items()}
    coefficients = np.diag([prior[name][2] ** 2 for name in core.coefficients])
    v = (x @ coefficients @ x.T + same["animal"] * (x @ own @ x.T + first * np.exp(2 * spreads["process_sd"])) +
         same["cohort"] * np.exp(2 * spreads["cohort_sd"]) + np.eye(len(table)) * np.exp(2 * spreads["sigma"]))
    rest = np.log(table.leg_span_mm.to_numpy()) - x @ [prior[name][1] for name in core.coefficients]
    return -0.5 * (len(table) * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + rest @ np.linalg.solve(v, rest)), v, rest, coefficients, x, prior


def test_marginal_likelihood_meets_dense_algebra():
    from moltspan import _core

    table = animals(n=9, cohorts=3)
    fit = bayes(table, cohort="cohort", process=True, reading_step_mm=0)
    options = _core.BayesGrowthOptions()
    options.process = True
    data = rebuilt(table, fit)
    for hyper in ([-3.0, -2.0, -3.5, 0.4, -2.0, -3.2], [-2.5, -1.0, -4.5, -0.8, -3.0, -4.0]):
        want = dense_log_marginal(table, fit, hyper)[0]
        # 45 readings: sums of 45 terms, covariance condition about 1e6
        assert _core.bayes_growth_log_marginal(data, options, np.array(hyper)) == pytest.approx(want, rel=1e-8)


def rebuilt(table, fit):
    """The data of a fit as the core takes them."""
    from moltspan import _core

    columns = {name: table[name].to_numpy() for name in table}
    data, rows = _core.BayesGrowthData(), fit._design.rows(columns)
    rows.groups = [fit._labels["animal"][name] for name in table.animal]
    rows.outer_groups = [fit._labels["cohort"][name] for name in table.cohort]
    data.rows, data.y, data.coefficients, data.effects = rows, np.log(table.leg_span_mm.to_numpy()), fit._core.coefficients, fit._core.effects
    return data


# Laws.

def same(a, b, tolerance=1e-6):
    """The search ends within 1e-4 of a posterior sd of the mode, from where the points are laid out."""
    x, y = a.interval(), b.interval()
    assert (np.abs(x.estimate - y.estimate) < tolerance + 1e-3 * y.sd).all()
    assert np.allclose(x.sd, y.sd, rtol=5e-3)


def test_order_of_rows_and_names_of_animals_do_not_matter():
    table = animals(step=5)
    fit = bayes(table)
    shuffled = table.sample(frac=1, random_state=1)
    same(bayes(shuffled), fit)
    same(bayes(table.assign(animal=table.animal.map(lambda name: "z" + name[::-1]))), fit)
    rows = pd.DataFrame({"animal": ["A03", "new"], "instar": [7.0, 7.0]})
    assert np.allclose(bayes(shuffled).predict(rows), fit.predict(rows), rtol=1e-4)


def test_inches_shift_the_intercept_and_its_prior_alone():
    table = animals(step=6.35)
    mm = bayes(table, reading_step_mm=6.35)
    inches = bayes(table.assign(leg_span_mm=table.leg_span_mm / 25.4), reading_step_mm=0.25,
                   priors={"Intercept": ("normal", np.log(10) - np.log(25.4), 2.5)})
    assert inches.coefficients["Intercept"] == pytest.approx(mm.coefficients["Intercept"] - np.log(25.4), abs=1e-4)
    assert inches.log_likelihood == pytest.approx(mm.log_likelihood, abs=1e-3)
    rows = pd.DataFrame({"animal": ["A03", "new"], "instar": [7.0, 7.0]})
    assert np.allclose(inches.predict(rows) * 25.4, mm.predict(rows), rtol=1e-4)


def test_weeks_for_days_scale_the_slope_and_its_priors_alone():
    table = animals().assign(day=lambda t: 40 * t.instar)
    of_day = {"instar": ("normal", 0.25, 0.35), "animal_sd[instar]": ("half_normal", 0.1)}
    fits = []
    for unit in (1.0, 7.0):
        priors = {name.replace("instar", "time"): (law[0], *(40 ** -1 * unit * number for number in law[1:])) for name, law in of_day.items()}
        fits.append(bayes(table.assign(time=table.day / unit), formula="time", random="1 + time", priors=priors))
    days, weeks = fits
    assert weeks.coefficients["time"] == pytest.approx(7 * days.coefficients["time"], rel=1e-4)
    assert weeks.log_likelihood == pytest.approx(days.log_likelihood, abs=1e-3)


def test_predictions_draw_no_random_numbers_and_threads_do_not_matter():
    table = animals(n=45, points=5, step=5)
    one, two = (bayes(table, threads=threads) for threads in (1, 2))
    rows = pd.DataFrame({"animal": ["A03", "new"], "instar": [7.0, 7.0]})
    assert one.predict(rows).equals(two.predict(rows)) and one.predict(rows).equals(one.predict(rows))


# What it is for.

def test_rounding_counts_and_is_found_by_itself():
    # 4 tables: with a step of 5 mm at sizes of 12 to 30 mm rounding has about the sd of .04 that readings have.
    errors = {None: [], 0: []}
    for seed in range(4):
        for step, found in errors.items():
            fit = bayes(animals(n=12, seed=seed, step=5), reading_step_mm=step)
            found.append(fit.sigma)
            assert ("60 readings count as rounding intervals" in str(fit.health)) == (step is None)
    assert np.mean(errors[None]) == pytest.approx(0.04, abs=0.015) and np.mean(errors[0]) > 0.06
    with pytest.raises(ValueError, match="row 0, leg_span_mm = .* no multiple of reading_step_mm = 5"):
        bayes(animals(), reading_step_mm=5)
    assert bayes(animals()).reading_steps_mm == ()


def two_measures(seed=2, n=15, points=6):
    rng = np.random.default_rng(seed)
    table = animals(n=n, points=points, seed=seed, sigma=0)
    walk = np.cumsum(rng.normal(0, 0.03, (n, points)), axis=1).ravel()
    true = np.log(table.leg_span_mm) + walk
    leg, carapace = np.exp(true + rng.normal(0, 0.06, len(table))), np.exp(true - np.log(2.7) + rng.normal(0, 0.02, len(table)))
    return pd.concat([table.assign(leg_span_mm=leg, what="leg_span"), table.assign(leg_span_mm=carapace, what="carapace")])


def test_two_measures_share_the_animal_and_tell_growth_from_reading():
    fit = bayes(two_measures(), measure="what", instar="instar")
    found = fit.interval(0.999)  # of four truths
    for name, truth in {"what[leg_span]": np.log(2.7), "sigma[leg_span]": 0.06, "sigma[carapace]": 0.02, "process_sd": 0.03}.items():
        assert found.lower[name] < truth < found.upper[name]
    assert dict(fit.sigma).keys() == {"leg_span", "carapace"} and fit.process_sd is not None
    rows = pd.DataFrame({"animal": ["A03"] * 2, "instar": [7.0] * 2, "what": ["leg_span", "carapace"]})
    bands = fit.predict(rows)
    width = np.log(bands.new_upper / bands.new_lower)
    assert bands.estimate[0] / bands.estimate[1] == pytest.approx(2.7, rel=0.05) and width[0] > width[1]
    with pytest.raises(ValueError, match="does not know it|no column"):
        fit.predict(rows.drop(columns="what"))


def test_process_and_reading_are_said_to_be_one_where_nothing_tells_them_apart():
    fit = bayes(animals())
    assert fit.process_sd is None and "sigma holds both" in str(fit.health)
    forced = bayes(animals(), process=True)
    assert forced.process_sd > 0 and "rests on the priors" in str(forced.health) and forced.health.state == "warning"


def declining(decline, seed=5, n=30):
    """Invented sizes by Hiatt's line: x' = x + .3 + decline x."""
    rng = np.random.default_rng(seed)
    rows = []
    for animal in range(n):
        size = np.log(rng.uniform(5, 15) / 20)
        for instar in range(8):
            rows.append((f"A{animal:02d}", float(instar), 20 * np.exp(size + 0.03 * rng.normal())))
            size += 0.3 + decline * size
    return pd.DataFrame(rows, columns=["animal", "instar", "leg_span_mm"])


def test_a_ratio_that_falls_with_size_is_found_and_weighed():
    fit = bayes(declining(-0.1), form=None)
    assert fit.form == "declining" and fit.declining_weight > 0.99
    found = fit.interval(0.99)
    assert found.lower["decline"] < -0.1 < found.upper["decline"]
    next_one = fit.predict(pd.DataFrame({"animal": ["A03"], "instar": [8.0]}))
    wrong = bayes(declining(-0.1)).predict(pd.DataFrame({"animal": ["A03"], "instar": [8.0]}))
    last = np.log(declining(-0.1).query("animal == 'A03'").leg_span_mm.iloc[-1] / 20)
    assert np.log(next_one.estimate[0] / 20) == pytest.approx(last + 0.3 - 0.1 * last, abs=0.05)
    assert wrong.estimate[0] > next_one.estimate[0]
    straight = bayes(declining(0.0), form=None)
    assert straight.form == "constant" and straight.declining_weight < 0.5 and "weight" in str(straight.health)
    with pytest.raises(ValueError, match='form="constant"'):
        bayes(declining(0.0), formula="instar**2", form="declining")


def test_cohorts_are_nested_as_in_reml():
    table = animals(n=24, cohorts=6, seed=8)
    fit, ignored, reml = bayes(table, cohort="cohort"), bayes(table), moltspan.fit_growth(table, cohort="cohort", method="reml")
    assert fit.cohort_sd == pytest.approx(reml.cohort_sd, rel=0.35) and fit.log_likelihood > ignored.log_likelihood
    assert ignored.standard_errors["Intercept"] < fit.standard_errors["Intercept"]  # sibs are no replicates
    rows = pd.DataFrame({"animal": ["A03", "new", "new"], "cohort": ["c3", "c3", "c9"], "instar": [4.0] * 3})
    width = np.log(fit.predict(rows).new_upper / fit.predict(rows).new_lower)
    assert width[0] < width[1] < width[2]


def test_bounds_of_spreads_lie_where_spreads_can():
    found = bayes(animals(n=3, sd=0.001, slope_sd=0.0001)).interval(0.999)
    spreads = [name for name in found.index if name == "sigma" or name.startswith("animal_sd")]
    assert (found.lower[spreads] > 0).all()
    assert -1 < found.lower["animal_correlation"] < found.upper["animal_correlation"] < 1


def test_priors_are_replaced_by_name_and_wrong_ones_named():
    table = animals()
    tight = bayes(table, priors={"instar": ("normal", 0.4, 0.001), "animal_sd": ("half_normal", 0.3), "animal_sd[instar]": ("half_normal", 0.02)})
    assert tight.coefficients["instar"] == pytest.approx(0.4, abs=0.005)
    assert tight.priors["animal_sd[Intercept]"] == ("half_normal", 0.3) and tight.priors["animal_sd[instar]"] == ("half_normal", 0.02)
    assert tight.priors["sigma"] == ("half_normal", 0.2)  # the default
    for priors, message in [({"nonsense": ("normal", 0, 1)}, "prior of nonsense: no such parameter in this model; it has"),
                            ({"sigma": ("normal", 0, 1)}, "a standard deviation takes half_normal"), ({"sigma": ("half_normal", -1)}, "positive"),
                            ({"sigma": 3}, "give")]:
        with pytest.raises(ValueError, match=message):
            bayes(table, priors=priors)
    with pytest.raises(ValueError, match='priors: method="ml"'):
        moltspan.fit_growth(table, priors={"sigma": ("half_normal", 1)})


def test_few_animals_rest_on_the_prior_and_say_so():
    one = bayes(animals(n=1))
    assert one.health.state == "warning" and "only 1 animal: too few to learn how much they differ, so that the prior decides" in str(one.health)
    bands = one.predict(pd.DataFrame({"animal": ["A00", "new"], "instar": [6.0, 6.0]}))
    assert (bands.new_lower < bands.estimate).all() and bands.new_upper[1] / bands.new_lower[1] > bands.new_upper[0] / bands.new_lower[0]
    single = bayes(pd.DataFrame({"animal": ["A"], "instar": [3.0], "leg_span_mm": [20.0]}))
    assert np.isfinite(list(single.coefficients.values())).all()


def test_prints_immutable_and_in_words():
    fit = bayes(animals(step=5))
    assert "log leg_span_mm ~ instar + (1 + instar | animal), Bayesian posterior" in fit.summary() and "<table>" in fit._repr_html_()
    assert "half-normal(0.5)" in fit.methods_text() and "expectation propagation" in fit.methods_text()
    assert fit.animal_effects.shape == (8, 2)
    with pytest.raises(AttributeError):
        fit.sigma = 1
    with pytest.raises(ValueError, match="row 0, animal = 'new'"):
        fit.predict(pd.DataFrame({"animal": ["new"], "instar": [3.0]}), new_animal="error")


def test_animal_effects_near_the_conditional_modes_of_reml():
    table = animals(n=40, seed=4)
    fit, reml = bayes(table), moltspan.fit_growth(table, method="reml")
    assert np.corrcoef(fit.animal_effects.Intercept, reml.animal_effects.Intercept)[0, 1] > 0.995


def test_coverage_at_five_animals_of_four_readings():
    """40 tables, benchmarks/growth.py coverage_bayes has more: 95 % bands cover the slope and the known animal's next reading."""
    inside = []
    for seed in range(40):
        rng = np.random.default_rng([7, seed])
        start, ratio = rng.normal(0, 0.2, 5), rng.normal(0, 0.05, 5)
        animal, instar = np.repeat(np.arange(5), 4), np.tile(np.arange(1.0, 5), 5)
        size = np.exp(2 + 0.25 * instar + start[animal] + ratio[animal] * (instar - 2.5) + rng.normal(0, 0.05, 20))
        fit = bayes(pd.DataFrame({"animal": animal, "instar": instar, "leg_span_mm": size}))
        slope = fit.interval(0.95).loc["instar"]
        band = fit.predict(pd.DataFrame({"animal": [0], "instar": [5.0]}), level=0.95)
        truth = np.exp(2 + 0.25 * 5 + start[0] + ratio[0] * 2.5 + rng.normal(0, 0.05))
        inside.append((slope.lower <= 0.25 <= slope.upper, band.new_lower[0] <= truth <= band.new_upper[0]))
    # 3 standard errors below 95 %
    assert (np.mean(inside, axis=0) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 40)).all()


def test_readings_that_follow_the_model_exactly_are_refused():
    line = animals(n=3).assign(leg_span_mm=lambda t: 5 * 1.3**t.instar)
    copied = pd.concat([animals(n=3)] * 4)  # each reading four times: a walk along the molts passes through all
    for table in (line, copied):
        with pytest.raises(ValueError, match="follow the model exactly, so that sigma goes to 0.*reading_step_mm"):
            bayes(table)


def test_what_rests_on_priors_alone_is_said():
    table = animals(n=6)
    one_each = bayes(table.groupby("animal").head(1).assign(instar=lambda t: np.arange(1.0, len(t) + 1)))
    assert one_each.health.state == "warning" and "no animal has more than 1 reading" in str(one_each.health)
    one_instar = bayes(pd.concat([table[table.instar == 2]] + [table[table.instar == 2].assign(leg_span_mm=lambda t: t.leg_span_mm * f)
                                                              for f in (0.97, 1.04)]))
    assert "the table says next to nothing of instar" in str(one_instar.health)
    assert bayes(animals(n=12)).health.state == "good"
