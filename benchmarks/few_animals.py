"""Do the bands of a maximum-likelihood fit of few animals hold? Coverage of running stadia, 2 to 5 animals.

    python benchmarks/few_animals.py [tables a row, default 500]

Each table (seed 1): four closed stadia an animal and one that runs on at a random age, log T = 4 + u + .2 Z, u of the animals' sd; exact or
between weekly looks. Under five animals the bands come from a parametric bootstrap; the row of five is the Gaussian approximation.
"""

import sys

import numpy as np
import pandas as pd

import moltspan

QUANTILES = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
BANDS = {"50": ("q0.25", "q0.75"), "80": ("q0.1", "q0.9"), "95": ("q0.025", "q0.975")}


def one_table(rng, n_animals, animal_sd, every_days):
    """Rows of a table, and the true lengths of its running rows."""
    rows, truth = [], {}
    for animal in range(n_animals):
        center = 4 + animal_sd * rng.normal()
        for _ in range(4):
            length = np.exp(center + 0.2 * rng.normal())
            if every_days:
                last_look = np.floor((rng.uniform(0, every_days) + length) / every_days) * every_days
                rows.append((animal, max(last_look - every_days, 0), last_look + every_days, every_days))
            else:
                rows.append((animal, length, length, 0))
        length, age = np.exp(center + 0.2 * rng.normal()), rng.uniform(0, 0.5) * np.exp(4)
        if length > age:
            truth[len(rows)] = length
            rows.append((animal, age, np.nan, 0))
    return pd.DataFrame(rows, columns=["animal", "min_days", "max_days", "start_range_days"]), truth


def coverage(n_animals, animal_sd, every_days, tables):
    rng = np.random.default_rng(1)
    hits = []
    for _ in range(tables):
        table, truth = one_table(rng, n_animals, animal_sd, every_days)
        if not truth:
            continue
        fit = moltspan.fit_stadia(table, method="ml", animal="animal", start_range_days="start_range_days", quadrature=8)
        forecast = fit.forecast(quantiles=QUANTILES).set_index("row")
        for row, length in truth.items():
            q = forecast.loc[row]
            hits.append([q[low] <= length <= q[high] for low, high in BANDS.values()] + [length < q["q0.5"]])
    return len(hits), 100 * np.mean(hits, axis=0)


def main():
    tables = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    print("| animals | looks | animals' sd | forecasts | in 50 % | in 80 % | in 95 % | below median |\n|---|---|---|---|---|---|---|---|")
    for n_animals, every_days, animal_sd in [(2, 0, 0.15), (3, 0, 0.15), (3, 0, 0.0), (3, 7, 0.15), (4, 0, 0.15), (4, 7, 0.15), (5, 0, 0.15)]:
        n, shares = coverage(n_animals, animal_sd, every_days, tables)
        looks = f"every {every_days} days" if every_days else "exact"
        print(f"| {n_animals} | {looks} | {animal_sd:.2f} | {n} | " + " | ".join(f"{share:.1f}" for share in shares) + " |", flush=True)


if __name__ == "__main__":
    main()
