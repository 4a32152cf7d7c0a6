"""Is the stated chance of a last molt right? Simulated collections in which males molt no more once mature.

    python benchmarks/last_molts.py [collections, default 100] [study ...] [--seed SEED]

Collections of 40 animals (seed 613 unless said), half of them males, sex known of 40 %, sizes from juvenile to adult. Scored are living animals whose
maturity is not on record: `final` is the truth. "nobody": no such animal has molted for the last time, as all maturities are written
down, or as no molt is the last though the kind's rule says so. "half unrecorded": half of the molts into maturity are written down as
molts like any other. Standard errors are clustered by collection.
"""

import sys

import numpy as np
import pandas as pd

import moltspan
from moltspan import _core

SEED = 613
BASE = {"n_animals": 40, "n_taxa": 3, "n_genera": 2, "start_size_min_mm": 40, "start_size_max_mm": 110, "study_days": 900,
        "bought_age_days": 500, "maturity": True, "mature_at_log_sd": 0.06}
HALF = {"unrecorded_maturity_chance": 0.5}
STUDIES = {
    "nobody: all recorded": {},
    "nobody: the rule is wrong": {"maturity": False, "state_maturity_rule": True},
    "half unrecorded": HALF,
    "half unrecorded, mature at 0.75": HALF | {"mature_at": 0.75},
    "half unrecorded, mature at 1.0": HALF | {"mature_at": 1.0},
    "none recorded": {"unrecorded_maturity_chance": 1.0},
    "half unrecorded, no signs of sex": HALF | {"unknown_sex_chance": 1.0},
}
TENTHS = np.linspace(0, 1, 11)


def one_collection(study, replicate, seed=SEED):
    """Rows (collection, stated chance, truly final) of living animals without a recorded maturity."""
    records, truth = moltspan.simulate_collection(seed, replicate, **(BASE | STUDIES[study]))
    fit = moltspan.fit(records, threads=1)
    animals = truth["animals"].set_index("animal")
    marked = set(animals.index[np.isfinite(animals.matured_day) & animals.maturity_recorded])
    return [(replicate, f.chance_final, np.isinf(animals.days_to_next_molt[f.id])) for f in _core.forecast(fit._core, [0.8])
            if f.quantile_days and np.isfinite(f.chance_final) and f.id not in marked]


def frame_of(rows):
    return pd.DataFrame(rows, columns=["collection", "stated", "final"]).astype({"stated": float, "final": float})


def clustered_error(part, deviations):
    sums = deviations.groupby(part.collection).sum()
    return np.sqrt((sums**2).sum()) / len(part)


def tenth(frame, low, high):
    """Stated and true share of one tenth, its error, and how many; the error of a share near 0 or 1 is that of the stated one at least."""
    part = frame[(frame.stated >= low) & ((frame.stated < high) | (high == 1))]
    if not len(part):
        return None
    stated = part.stated.mean()
    error = max(clustered_error(part, part.final - part.stated - (part.final - part.stated).mean()),
                np.sqrt((part.stated * (1 - part.stated)).sum()) / len(part))
    return stated, part.final.mean(), error, len(part)


def main():
    arguments, seed = sys.argv[1:], SEED
    if "--seed" in arguments:
        at = arguments.index("--seed")
        seed = int(arguments[at + 1])
        del arguments[at:at + 2]
    n = int(arguments[0]) if arguments else 100
    for study in arguments[1:] or STUDIES:
        frame = frame_of([row for replicate in range(n) for row in one_collection(study, replicate, seed)])
        print(f"\n{study}: {len(frame)} animals, mean stated {frame.stated.mean():.3f}, final {frame.final.mean():.3f}\n")
        print("| stated | mean stated | share final | standard error | animals | off by, s.e. |\n|---|---|---|---|---|---|")
        for low, high in zip(TENTHS, TENTHS[1:], strict=False):
            if row := tenth(frame, low, high):
                stated, final, error, count = row
                print(f"| {low:.1f} to {high:.1f} | {stated:.3f} | {final:.3f} | {error:.3f} | {count} | {(final - stated) / error:+.1f} |", flush=True)


if __name__ == "__main__":
    main()
