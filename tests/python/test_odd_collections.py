"""Small collections of every kind of oddness get an answer: laws that no simulation has to be right on, only sound.

Options are drawn anew for each case: one to eleven animals, lengths from alike to scattered, molts missed, found late or known to a month,
males that mature, next to no sizes, signs that are false.
"""

import numpy as np
import pytest

import moltspan

CHOICES = {
    "n_animals": (1, 2, 3, 5, 8, 11), "n_taxa": (1, 2, 3), "missed_molt_chance": (0.0, 0.1, 0.3, 0.6), "write_instars": (False, False, True),
    "reading_chance": (0.0, 0.3, 0.9), "exponent": (0.0, 0.5, 1.2), "sigma": (0.02, 0.2, 0.5), "animal_sd": (0.01, 0.15, 0.6),
    "check_every_days": (0, 1, 7, 30), "late_found_chance": (0.0, 0.3), "maturity": (False, True), "state_maturity_rule": (False, True),
    "study_days": (60, 400, 1500), "intercept": (2.5, 4.3, 6.0), "read_in_inches": (False, True), "exact_sizes": (False, True),
    "darkened_chance": (0.0, 0.6), "refused_chance": (0.0, 0.6), "false_signs_per_year": (0.0, 3.0), "unrecorded_maturity_chance": (0.0, 0.5),
    "record_temperature": (True, False)}
REGULAR = {"n_animals": 3, "n_taxa": 1, "n_genera": 1, "write_instars": False, "exponent": 0.0, "sigma": 0.02, "maturity": True,
           "study_days": 400, "entry_window_days": 200.0, "intercept": 2.5}
SCARCE = {"n_animals": 5, "n_taxa": 3, "n_genera": 2, "missed_molt_chance": 0.6, "write_instars": False, "reading_chance": 0.3, "exponent": 0.0,
          "sigma": 0.02, "animal_sd": 0.6, "late_found_chance": 0.3, "maturity": True, "study_days": 60, "entry_window_days": 30.0, "intercept": 2.5}
LONGEST_DAYS = 1e5  # wide as bands may be, no molt is told of for centuries


def options_of(case):
    rng = np.random.default_rng([5, case])
    options = {name: choices[rng.integers(len(choices))] for name, choices in CHOICES.items()}
    return options | {"n_genera": 1, "entry_window_days": options["study_days"] / 2}


def check(options, seed, replicate):
    records, _ = moltspan.simulate_collection(seed, replicate, **options)
    fit = moltspan.fit(records, threads=1)
    table = fit.forecast()
    quantiles = table[[name for name in table.columns if name.startswith("q0.")]].dropna().to_numpy(dtype=float)
    assert np.isfinite(quantiles).all()
    assert quantiles.size == 0 or (np.diff(quantiles, axis=1) >= -1e-9).all() and 0 <= quantiles.min() and quantiles.max() < LONGEST_DAYS
    for name in ("chance_final", "chance_missed"):
        chances = table[name].dropna().to_numpy(dtype=float)
        assert ((chances >= 0) & (chances <= 1)).all()
    hidden = np.array([row[3:] for row in fit._core.hidden_rows]).reshape(-1, 2)
    assert np.isfinite(hidden).all() and (hidden >= 0).all() and (hidden.sum(axis=1) <= 1 + 1e-9).all()


@pytest.mark.parametrize("case", range(30))
def test_every_oddness_gets_an_answer(case):
    check(options_of(case), 91, case)


# A stadium 30 sds past its law left weights that were no numbers; gaps in doubt left a predictor of which nothing was known.
@pytest.mark.parametrize("options, seed, replicate", [(REGULAR, 77, 3), (SCARCE, 78, 78)])
def test_records_that_once_had_no_answer(options, seed, replicate):
    check(options, seed, replicate)
