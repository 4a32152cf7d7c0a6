"""Does the band of the leg span after the next molt hold? Coverage on collections with known truth, readings rounded to 5 mm.

    python benchmarks/sizes.py [collections per truth, default 200] [truth ...]

Each collection (10 to 30 animals, seed 78, replicate = its number) is written as records with leg spans rounded to 5 mm, read low by 5 %
with a relative error of 6 %, one in ten missing; it is fitted with the growth model and asked for the leg span after each animal's next
molt. The truth is that leg span before anyone reads it. Printed by what is known of the animal: share of truths inside the 50, 80 and
95 % bands and below the median, standard errors clustered by collection, and the mean width of the 80 % band as a ratio.
"""

import sys

import numpy as np
import pandas as pd
from bands import share

import moltspan

SEED = 78
SPREAD = {"entry_window_days": 700, "bought_age_days": 500}
TRUTHS = {
    "5 mm": SPREAD,
    "5 mm, slings": {"intercept": 4.0, "exponent": 0.8, "start_size_min_mm": 4, "start_size_max_mm": 12, "check_every_days": 7,
                     "study_days": 300, "entry_window_days": 280, "bought_age_days": 90},
    "5 mm, molts missed": SPREAD | {"missed_molt_chance": 0.05},
    "5 mm, molts missed, no instar numbers": SPREAD | {"missed_molt_chance": 0.1, "write_instars": False},
    "1/4 inch": SPREAD | {"read_in_inches": True, "reading_step_mm": 6.35},
    "5 mm, ratio falls with size": SPREAD | {"decline": -0.05},
}
BANDS = (0.5, 0.8, 0.95)


def known_of(sizes):
    """What the records say of the size: read in the running instar, in an earlier one, more than one before it."""
    read = np.flatnonzero(sizes.measured.to_numpy())
    if len(read) == 0:
        return "never read"
    if not sizes.measured.iloc[-1]:
        return "read before the last molt"
    return "read once, since the last molt" if len(read) == 1 else "read since the last molt and before"


def one_collection(truth, replicate):
    """Rows (replicate, what is known, inside each band, below the median, width) of the animals that molt on."""
    n_animals = int(np.random.default_rng(replicate).integers(10, 31))
    records, true = moltspan.simulate_collection(SEED, replicate, n_animals=n_animals, **TRUTHS[truth])
    fit = moltspan.fit(records, threads=1)
    next_mm = dict(zip(true["animals"].animal, true["animals"].next_size_mm, strict=True))
    sizes = dict(list(fit.growth.sizes().groupby("animal"))) if fit.growth is not None else {}
    rows = []
    for animal in moltspan.forecast_document(fit)["animals"]:
        found, mm = animal["next_leg_span_mm"], next_mm.get(animal["animal"], np.nan)
        if found is None or not np.isfinite(mm):
            continue
        bands = {band["level"]: band for band in found["bands"]}
        inside = [bands[level]["from"] <= mm <= bands[level]["to"] for level in BANDS]
        rows.append((replicate, known_of(sizes[animal["animal"]]), *inside, mm < found["median"], bands[0.8]["to"] / bands[0.8]["from"]))
    return rows


def main():
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("| truth | size | forecasts | in 50 % | in 80 % | in 95 % | below median | 80 % width |\n|---|---|---|---|---|---|---|---|")
    for truth in sys.argv[2:] or TRUTHS:
        rows = [row for replicate in range(n) for row in one_collection(truth, replicate)]
        names = [f"{level:g}" for level in BANDS] + ["below"]
        frame = pd.DataFrame(rows, columns=["collection", "known", *names, "width"]).astype(dict.fromkeys(names, float))
        for name, part in [("all", frame), *frame.groupby("known")]:
            shares = [share(part[column], part.collection) for column in names]
            print(f"| {truth} | {name} | {len(part)} | " + " | ".join(shares) + f" | {part.width.mean():.3f} |", flush=True)


if __name__ == "__main__":
    main()
