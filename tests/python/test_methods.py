"""The paragraph for a paper says what the fit itself holds: each number in it is looked up in the fit, in the table or in the settings."""

import platform
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import moltspan

DEMO = Path(__file__).parents[2] / "demo/collection"


@pytest.fixture(scope="module")
def fit():
    return moltspan.fit(moltspan.read(DEMO), priors={"sigma": ("half_normal", 0.5)}, threads=1)


def sentence(text, start):
    return re.search(rf"{start}.*?\.(?= [A-Z0-9]|$)", text).group()


def test_counts_are_those_of_the_table(fit):
    stadia = fit.collection.stadia()
    text = fit.methods_text()
    exact = (stadia.min_days == stadia.max_days).sum()
    running = stadia.max_days.isna().sum()
    left = ((stadia.min_days == 0) & (stadia.max_days > 0)).sum()
    said = sentence(text, "The data were")
    assert f"{len(stadia)} stadia of {stadia.animal.nunique()} animals" in said
    assert f"{exact} known to the day" in said and f"{running} not seen to end (right-censored)" in said
    assert f"{len(stadia) - exact - running - left} known to a range of days (interval-censored)" in said
    assert f"{(stadia.entry_days > 0).sum()} stadia were left-truncated" in text
    animals = fit.collection.animals.set_index("animal").loc[stadia.animal.unique()]
    cohorts = animals.loc[animals.cohort.fillna("") != "", ["taxon", "cohort"]].drop_duplicates()
    assert f"{len(cohorts)} cohorts, {animals.taxon.nunique()} taxa" in said
    ranged = ((stadia.start_range_days > 1) & (stadia.min_days != stadia.max_days)).sum()
    assert f"{ranged} stadia began on an unknown day of a range" in text


def test_model_priors_and_versions_are_those_of_the_fit(fit):
    text = fit.methods_text()
    assert all(name in sentence(text, "Covariates x") for name in fit.stadia.coefficients if name != "Intercept")
    assert "sigma half-normal(0.5) (given)" in text  # the one that was asked for
    shipped = (DEMO.parents[1] / "shared/priors.toml").read_text(encoding="utf-8")
    for name in ("animal_sd", "taxon_sd", "cohort_sd", "genus_sd"):
        sd = float(re.search(rf"\[{name}\].*?^sd = (\S+)", shipped, re.DOTALL | re.MULTILINE).group(1))
        assert f"{name} half-normal({sd:g})" in text
    assert f"Records up to {fit.as_of} were used; the last record is dated {fit.collection.as_of}." in text
    assert "W standard normal (log-normal stadia)" in text and "looked at daily" in text
    assert str(fit.health) in text
    assert f"posterior mean of p {fit._core.hidden.missed_chance:.3f}" in text and "a growth model fitted to all readings" in text
    plain = moltspan.fit(fit.collection, hidden_molts=False, growth_model=False, threads=1).methods_text()
    assert "unrecorded" not in plain and "with a usual growth ratio" in plain
    assert text.endswith(f"moltspan {moltspan.__version__}, Python {platform.python_version()} and numpy {np.__version__}.")


def test_what_was_asked_changes_the_words(fit):
    text = moltspan.fit(fit.collection, as_of="2026-03-01", family="weibull", watched="rows", truncation="renewal", threads=1).methods_text()
    assert "Weibull" in text and "its own last meal" in text and "density over the mean length" in text
    assert "Records up to 2026-03-01 were used" in text


def test_maximum_likelihood_names_no_prior():
    table = pd.DataFrame({"min_days": [20, 25, 30, 0, 41, 28], "max_days": [20, 27, None, 18, 41, 28], "who": ["a", "a", "b", None, "c", None]})
    text = moltspan.fit_stadia(table, animal="who").methods_text()
    assert "Priors" not in text and "maximum marginal likelihood" in text
    # by hand: a, b, c and two rows without a name, each an animal of its own; rows 0, 4 and 5 are exact
    assert ("6 stadia of 5 animals: 3 known to the day, 1 known to a range of days (interval-censored), 1 left-censored and 1 not seen to end "
            "(right-censored).") in text
    plain = moltspan.fit_stadia(table).methods_text()
    assert "by maximum likelihood" in plain and "u_" not in plain and "none but the intercept" in plain


def test_one_of_a_kind_is_singular():
    text = moltspan.fit_stadia(pd.DataFrame({"min_days": [20, 25, 30], "max_days": [20, 25, 30], "entry": [5, 0, 0]}), entry_days="entry").methods_text()
    assert "1 stadium was left-truncated" in text


def test_backtest_names_its_days_scores_and_rules():
    result = moltspan.backtest(moltspan.read(DEMO), origins=2, threads=1)
    text = result.methods_text()
    assert f"2 past days ({result.origins[0]} to {result.origins[-1]})" in text
    assert f"{len(result.cases)} forecasts for {result.cases.animal.nunique()} animals" in text and f"seen later for {result.cases.seen.sum()}" in text
    for percent in result.coverage.covered_percent:
        assert f"band {percent:.1f} %" in text
    assert all(rule in text for rule in result.comparisons.rule)


def test_growth_names_readings_animals_and_method():
    table = pd.DataFrame({"animal": list("aaabbbccc"), "instar": [1, 2, 3] * 3, "leg_span_mm": [10, 13, 17, 11, 14, 19, 9, 12, 15.5]})
    text = moltspan.fit_growth(table, random="1", method="reml").methods_text()
    assert "9 readings of 3 animals" in text and "restricted maximum likelihood" in text and "no priors" in text  # by hand
    assert "The natural logarithm of leg_span_mm" in text and "each animal on Intercept," in text
