"""Simulation-based calibration: truths drawn from the default priors must have uniform ranks in their posteriors.

    python benchmarks/calibration.py [collections, default 1000]

Each collection: 20 animals of 6 taxa in 3 genera, 8 cohorts, born into the records, sizes known, molts checked weekly (every second
collection: known to the day). All parameters come from shared/priors.toml. Printed for every parameter and for the next molt: mean rank (0.5
when right), share of ranks in the outer tenth (0.2), and the Kolmogorov-Smirnov p-value against the uniform law (next molts: of one
animal a collection, as those of one collection hang together).
"""

import sys
import tomllib
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from scipy import stats

from moltspan import _core

SEED = 4711
PRIORS = tomllib.loads((Path(__file__).parent.parent / "shared" / "priors.toml").read_text())
PARAMETERS = {"intercept": "Intercept", "exponent": "log_size", "temperature_effect": "warmth_c", "sex_effect": "male", "sigma": "sigma",
              "genus_sd": "genus_sd", "taxon_sd": "taxon_sd", "cohort_sd": "cohort_sd", "animal_sd": "animal_sd"}
COEFFICIENTS = ["Intercept", "log_size", "warmth_c", "male"]


def draw_truth(replicate):
    options = _core.SimulationOptions()
    options.n_taxa, options.n_genera, options.n_cohorts, options.bred_chance = 6, 3, 8, 1.0
    options.check_every_days, options.unknown_sex_chance = 7 * (replicate % 2), 0.0
    kinds = _core.ParameterLaw.Kind
    laws = []
    for ours, theirs in PARAMETERS.items():
        prior = PRIORS[theirs]
        law = (kinds.normal, prior["mean"], prior["sd"]) if prior["kind"] == "normal" else (kinds.half_normal, prior["sd"])
        laws.append((ours, _core.ParameterLaw(*law)))
    return _core.draw_prior_truth(options, laws, SEED, replicate)


def telling(columns):
    """Without the rows that say nothing: running, and watched for no time."""
    keep = ~(np.isnan(columns["max_days"]) & (columns["min_days"] <= 0))
    return {name: np.asarray(values)[keep] for name, values in columns.items()}


def following(columns):
    """Row whose end is the start of each row, -1 for none."""
    animal, closed = np.asarray(columns["animal_code"]), ~np.isnan(columns["max_days"])
    linked = (animal[1:] == animal[:-1]) & closed[:-1]
    return [-1] + [i if one else -1 for i, one in enumerate(linked)]


def fit_table(columns):
    n = len(columns["min_days"])
    covariates = np.column_stack([np.ones(n), columns["log_size"], columns["temperature_c"] - 25, columns["male"]])
    groups = [list(map(int, columns[f"{level}_code"])) for level in ("genus", "taxon", "cohort", "animal")]
    end_range = np.nan_to_num(columns["max_days"] - columns["min_days"] - columns["start_range_days"])
    data = _core.StadiaData(columns["min_days"], columns["max_days"], columns["start_range_days"], columns["entry_days"], covariates,
                            COEFFICIENTS, np.zeros(0), np.zeros(0), groups, end_range, following(columns))
    options = _core.StadiaOptions()
    options.method, options.threads = _core.Method.bayes, 1
    return _core.fit_stadia(data, options)


def next_molt_ranks(fit, columns):
    """Rank of each true running length in its predictive distribution, given the time watched."""
    mixture = _core.running_predictors(fit)
    spread = np.sqrt(np.maximum(mixture.variance, 0) + np.exp(2 * mixture.log_sigma)[:, None])
    rows = np.array(fit.running_rows)
    alive = np.array([columns["status"][row] in ("running", 1) for row in rows])
    survival = lambda t: stats.norm.sf((np.log(np.maximum(t, 1e-9)) - mixture.mean) / spread)  # noqa: E731
    ratio = survival(columns["true_days"][rows]) / np.maximum(survival(columns["elapsed_days"][rows]), 1e-300)
    return (1 - mixture.weights @ ratio)[alive]


def one_collection(replicate):
    truth = draw_truth(replicate)
    columns = telling(_core.simulate_stadia(truth, SEED, replicate).stadia())
    fit = fit_table(columns)
    points = _core.posterior_points(fit)
    values = [getattr(truth, name) for name in PARAMETERS]
    ranks = [float(points.weights @ stats.norm.cdf(values[i], points.coefficient_mean[:, i], np.maximum(points.coefficient_sd[:, i], 1e-12)))
             for i in range(len(COEFFICIENTS))]
    hyper = np.log(np.abs(values[len(COEFFICIENTS):]))
    for i, value in enumerate(hyper):
        below = points.hyper[:, i] < value
        ranks.append(float(points.weights @ below))
    molts = next_molt_ranks(fit, columns)
    return ranks, list(molts), float(np.random.default_rng(replicate).choice(molts)) if len(molts) else None


def line(name, ranks):
    ranks = np.asarray(ranks)
    outer = np.mean((ranks < 0.1) | (ranks > 0.9))
    p = stats.kstest(ranks, "uniform").pvalue
    print(f"| {name} | {len(ranks)} | {ranks.mean():.3f} ± {0.289 / np.sqrt(len(ranks)):.3f} | {outer:.3f} ± {0.4 / np.sqrt(len(ranks)):.3f} | {p:.3f} |")


def main():
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with Pool(2) as pool:
        results = pool.map(one_collection, range(n), chunksize=4)
    print("| parameter | n | mean rank | in the outer tenths | KS p |\n|---|---|---|---|---|")
    for i, name in enumerate(PARAMETERS):
        line(name, [ranks[i] for ranks, _, _ in results])
    line("next molt", [one for _, _, one in results if one is not None])


if __name__ == "__main__":
    main()
