"""Do the bands hold what they promise? Coverage of 50 / 80 / 95 % bands on collections with known, fixed truth.

    python benchmarks/bands.py [collections per truth, default 2000] [truth ...] [--seed SEED]

Each collection (10 to 30 animals, seed 77 unless said, replicate = its number) is written as records, read, fitted with the defaults and forecast as
of its last day; the truth is the next molt in continuous days. Printed by class of own stadia with a seen end: share of truths inside
each band and below the median, with standard errors clustered by collection.
"""

import argparse
from functools import partial
from multiprocessing import Pool

import numpy as np
import pandas as pd

import moltspan
from moltspan import _core

SEED = 77
SPREAD = {"entry_window_days": 700, "bought_age_days": 500}
TRUTHS = {
    "daily checks": SPREAD,
    "weekly checks": SPREAD | {"check_every_days": 7, "n_taxa": 3},
    "fortnightly checks, cohorts": SPREAD | {"check_every_days": 14, "n_cohorts": 4},
    "a single taxon": SPREAD | {"check_every_days": 7, "n_taxa": 1, "n_genera": 1},
    "fast slings": {"intercept": 4.0, "exponent": 0.8, "start_size_min_mm": 4, "start_size_max_mm": 12, "check_every_days": 7,
                    "study_days": 300, "entry_window_days": 280, "bought_age_days": 90},
    "wrong family (Weibull truth)": SPREAD | {"family": "weibull", "check_every_days": 7},
}
BANDS = {"50": (0.25, 0.75), "80": (0.1, 0.9), "95": (0.025, 0.975)}
CLASSES = [-1, 0, 2, 5, 8, 10_000]
LABELS = ["0", "1-2", "3-5", "6-8", "9+"]


def one_collection(job, options, seed=SEED):
    """Rows (replicate, own stadia, met part-way, inside each band, below the median) of the animals that molt on."""
    truth, replicate = job
    n_animals = int(np.random.default_rng(replicate).integers(10, 31))
    records, true = moltspan.simulate_collection(seed, replicate, n_animals=n_animals, **TRUTHS[truth])
    fit = moltspan.fit(records, threads=1, **options)
    stadia = records.stadia()
    part_way = set(stadia.animal[(stadia.status == "running") & (stadia.entry_days > 0)])
    days = dict(zip(true["animals"]["animal"], true["animals"]["days_to_next_molt"], strict=True))
    rows = []
    for forecast in _core.forecast(fit._core, []):
        day = days.get(forecast.id, np.nan)
        if not np.isfinite(day) or not forecast.quantile_days:
            continue
        quantiles = dict(zip(_core.STANDARD_QUANTILES, forecast.quantile_days, strict=True))
        inside = [quantiles[low] <= day <= quantiles[high] for low, high in BANDS.values()]
        rows.append((replicate, forecast.own_stadia, forecast.id in part_way, *inside, day < quantiles[0.5]))
    return rows


def share(values, groups):
    """Mean in percent and its standard error, clustered."""
    mean = values.mean()
    sums = (values - mean).groupby(groups).sum()
    return f"{100 * mean:5.1f} ± {100 * np.sqrt((sums**2).sum()) / len(values):.1f}"


def table_of(rows):
    frame = pd.DataFrame(rows, columns=["collection", "own", "part_way", *BANDS, "below"]).astype({name: float for name in [*BANDS, "below"]})
    frame["class"] = pd.cut(frame.own, CLASSES, labels=LABELS)
    groups = [("all", frame), *frame.groupby("class", observed=True), ("0, met part-way", frame[(frame.own == 0) & frame.part_way])]
    return [(name, len(part), *(share(part[column], part.collection) for column in [*BANDS, "below"])) for name, part in groups if len(part)]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("collections", type=int, nargs="?", default=2000)
    parser.add_argument("truths", nargs="*", default=list(TRUTHS))
    parser.add_argument("--truncation", default="renewal")
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    work = partial(one_collection, options={"truncation": given.truncation}, seed=given.seed)
    print("| truth | own stadia | forecasts | in 50 % | in 80 % | in 95 % | below median |\n|---|---|---|---|---|---|---|")
    for truth in given.truths or TRUTHS:
        with Pool(2) as pool:
            rows = [row for part in pool.imap(work, [(truth, r) for r in range(given.collections)], chunksize=8) for row in part]
        for name, size, *shares in table_of(rows):
            print(f"| {truth} | {name} | {size} | " + " | ".join(shares) + " |", flush=True)


if __name__ == "__main__":
    main()
