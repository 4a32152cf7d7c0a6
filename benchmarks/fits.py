"""Speed and memory of fits and forecasts. Run on an idle machine: python benchmarks/fits.py [small|bayes|ml|collection]...

small: 8 animals / 34 stadia (tests/reference/stan_small_collection), posterior and forecast. bayes, ml: 10,000 animals / about 95,000
interval-censored stadia, one animal effect. collection: 10,000 animals as a collection, posterior and forecast from checked records.
"""

import resource
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

import moltspan

REFERENCE = Path(__file__).parent.parent / "tests" / "reference"
SMALL_PRIORS = {"Intercept": ("normal", float(np.log(90)), 1), "log_size": ("normal", 0, 1), "x2": ("normal", 0, 0.2),
                "sigma": ("half_normal", 1), "animal_sd": ("half_normal", 0.5)}


def report(name, seconds, note=""):
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{name:12} {min(seconds) * 1e3:9.1f} ms best of {len(seconds)}, {np.median(seconds) * 1e3:9.1f} ms median; peak {peak:.0f} MiB {note}")


def timed(work, repeats):
    seconds = []
    for _ in range(repeats):
        begin = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - begin)
    return seconds, result


def small():
    table = pd.read_csv(REFERENCE / "stan_small_collection" / "records.csv").assign(x2=lambda t: t.temp_c - 26)

    def work():
        return moltspan.fit_stadia(table, "log_size + x2", method="bayes", animal="animal", min_days="t_lo", max_days="t_hi",
                                   priors=SMALL_PRIORS).forecast()

    report("small", timed(work, 20)[0])


def big_table(n_animals=10_000, per_animal=10, seed=1):
    """Weekly checked stadia of many animals: bounds a week apart, the last one of each animal running for most."""
    rng = np.random.default_rng(seed)
    animal = np.repeat(np.arange(n_animals), per_animal)
    log_size = np.tile(np.linspace(-1, 1.2, per_animal), n_animals)
    temperature = rng.normal(0, 1, len(animal))
    male = np.repeat(rng.integers(0, 2, n_animals), per_animal)
    effect = np.repeat(rng.normal(0, 0.2, n_animals), per_animal)
    length = np.exp(4.4 + 0.45 * log_size - 0.05 * temperature + effect + 0.2 * rng.normal(size=len(animal)))
    low = 7 * np.floor(length / 7)
    last = np.arange(len(animal)) % per_animal == per_animal - 1
    elapsed = rng.uniform(0.1, 1, len(animal)) * length
    return pd.DataFrame({"animal": animal, "log_size": log_size, "temp": temperature, "male": male,
                         "min_days": np.where(last, elapsed, low), "max_days": np.where(last, np.nan, low + 7)})


def bayes():
    table = big_table()

    def work():
        return moltspan.fit_stadia(table, "log_size + temp + male", method="bayes", animal="animal").forecast()

    seconds, result = timed(work, 1)
    report("bayes", seconds, f"({len(table)} stadia, {len(result)} forecasts)")


def ml():
    table = big_table()
    seconds, fit = timed(lambda: moltspan.fit_stadia(table, "log_size + temp + male", animal="animal"), 1)
    report("ml", seconds, f"({len(table)} stadia, {fit._core.quadrature_nodes} nodes, log-likelihood {fit.log_likelihood:.6f})")


def collection():
    records, _ = moltspan.simulate_collection(seed=1, n_animals=10_000, n_taxa=40, n_genera=12, check_every_days=7, study_days=1200,
                                              intercept=4.2, death_per_year=0, sale_per_year=0)
    n_stadia = len(records.stadia())

    def work():
        return moltspan.fit(records).forecast()

    seconds, _ = timed(work, 1)
    report("collection", seconds, f"({n_stadia} stadia)")


if __name__ == "__main__":
    for name in sys.argv[1:] or ("small", "bayes", "ml", "collection"):
        globals()[name]()
