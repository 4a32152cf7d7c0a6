"""A user's own columns as covariates of the fit of a collection. Truths are those of the drawing."""

import numpy as np
import pandas as pd
import pytest

import moltspan


def drawn(n=80, seed=3, effect=0.35, tub_sd=0.2):
    rng = np.random.default_rng(seed)
    tubs = rng.normal(0, tub_sd, 8)
    animals, journal = [], []
    for i in range(n):
        treatment, tub, dose = ("fed", "starved")[i % 2], i // 2 % 8, float(rng.choice([0, 10, 20, 30]))
        name, day = f"a{i}", pd.Timestamp("2025-01-01")
        animals.append({"animal": name, "taxon": "Uca pugnax", "acquired": day.date(), "treatment": treatment, "tub": f"t{tub}", "dose": dose})
        for molt in range(6):
            day += pd.Timedelta(days=max(1, round(20 * np.exp(effect * (treatment == "starved") + 0.01 * dose + tubs[tub] + rng.normal(0, 0.12)))))
            journal.append({"date": day.date(), "animal": name, "event": "molt"})
        journal.append({"date": day.date(), "animal": name, "event": "left"})
    return moltspan.Collection(pd.DataFrame(animals), pd.DataFrame(journal)), tubs


@pytest.fixture(scope="module")
def study():
    collection, tubs = drawn()
    return moltspan.fit(collection, formula="treatment + dose + (1|tub)", threads=1), tubs


def test_effects_of_own_columns_are_found(study):
    fit, tubs = study
    found, errors = fit.stadia.coefficients, fit.stadia.standard_errors
    assert abs(found["treatment[starved]"] - 0.35) < 3 * errors["treatment[starved]"] < 0.2
    assert abs(found["dose"] - 0.01) < 3 * errors["dose"] < 0.01
    effects = np.array([found[f"tub[t{k}]"] for k in range(8)])
    assert np.corrcoef(effects, tubs)[0, 1] > 0.95  # eight tubs of ten animals


def test_the_spread_of_a_group_is_learned(study):
    fit, tubs = study
    sds = dict(zip(fit.stadia._core.learned_names, fit.stadia._core.learned_sds, strict=True))
    assert 0.5 * np.std(tubs) < sds["tub_sd"] < 2 * np.std(tubs)
    assert "tub_sd" in fit.stadia.standard_errors and "tub_sd" in str(fit)


def test_a_group_is_drawn_towards_none():
    """Without a difference between tubs their effects are next to nothing."""
    fit = moltspan.fit(drawn(tub_sd=0)[0], formula="treatment + dose + (1|tub)", threads=1)
    assert max(abs(fit.stadia.coefficients[f"tub[t{k}]"]) for k in range(8)) < 0.06


def test_a_product_with_a_covariate_of_the_model_is_a_slope():
    collection, _ = moltspan.simulate_collection(seed=8, n_animals=40)
    frame = collection.animals.assign(line=["a", "b"] * 20)
    fit = moltspan.fit(moltspan.Collection(frame, collection.journal), formula="line + log_size:line", threads=1)
    assert {"line[b]", "log_size:line[b]"} <= set(fit.stadia.coefficients)
    assert abs(fit.stadia.coefficients["log_size:line[b]"]) < 4 * fit.stadia.standard_errors["log_size:line[b]"]


def test_the_fit_without_a_formula_is_as_it_was():
    collection, _ = drawn(n=20)
    plain, empty = moltspan.fit(collection, threads=1), moltspan.fit(collection, formula="1", threads=1)
    assert plain.stadia.coefficients == empty.stadia.coefficients


@pytest.mark.parametrize(("formula", "said"), [
    ("color", "no column 'color'"), ("(1|color)", "no column 'color'"), ("log_size:warmth_c:treatment", "at most one of the model's own"),
    ("treatment + (", "parenthesis"), ("(1|taxon)", "two groups at least"), ("log(x) ~ treatment", "left"),
])
def test_what_cannot_be_read_is_named(formula, said):
    with pytest.raises(ValueError, match="formula") as caught:
        moltspan.fit(drawn(n=6)[0], formula=formula)
    assert said in str(caught.value)


def test_groups_need_bayes():
    with pytest.raises(ValueError, match="method"):
        moltspan.fit(drawn(n=6)[0], formula="(1|tub)", method="ml")


def test_forecasts_of_a_treatment_are_longer():
    fit = moltspan.fit(drawn(tub_sd=0)[0], as_of="2025-02-10", formula="treatment + dose", threads=1)
    frame, treatment = fit.forecast(), fit.collection.animals.treatment.to_numpy()
    ahead = (pd.to_datetime(frame.next_molt) - pd.to_datetime(frame.last_molt_latest)).dt.days.to_numpy()
    assert np.nanmean(ahead[treatment == "starved"]) > 1.2 * np.nanmean(ahead[treatment == "fed"])
