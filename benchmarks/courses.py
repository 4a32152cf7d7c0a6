"""Do the bands of the molts after the next hold, and of the day a size is reached? Courses of life beside the lives that were simulated.

    python benchmarks/courses.py [collections per truth, default 200] [truth ...]

Each collection (10 to 30 animals that neither die nor leave, seed 79, replicate = its number) is looked at daily for 1,500 days and longer; the
fit knows the first 600 of them. Scored are the days of the next four molts, the leg spans after them, and the first day on which an animal has 1.3, 1.6 and 2
times its leg span of now, against what the simulation went on to do. A molt beyond the end of the study counts as late, so that all
animals are scored. In percent, standard errors clustered by collection.
"""

import argparse
from datetime import timedelta
from functools import partial
from multiprocessing import Pool

import numpy as np
import pandas as pd
from bands import share

import moltspan

SEED = 79
KNOWN_DAYS, MOLTS, GROWN = 600, 4, (1.3, 1.6, 2.0)
STAY = {"death_per_year": 0, "sale_per_year": 0, "study_days": 2400, "entry_window_days": 500, "bought_age_days": 400}
TRUTHS = {
    "daily checks": STAY,
    "fast slings": STAY | {"intercept": 4.0, "exponent": 0.8, "start_size_min_mm": 4, "start_size_max_mm": 12, "study_days": 1500,
                           "bought_age_days": 90},
    "pace and ratio hang together": STAY | {"pace_growth_correlation": 0.5},
}
BANDS = {"50": (0.25, 0.75), "80": (0.1, 0.9), "95": (0.025, 0.975)}


def rank(draws, truth):
    """Share of the draws below the truth; draws that never get there are infinite."""
    return float(np.mean(draws < truth)) if np.isfinite(truth) else 1.0


def passage(dates, sizes, target):
    """First of successive dates whose size is the target at least; infinite where none is."""
    there = sizes >= target
    return np.where(there.any(axis=-1), np.take_along_axis(dates, there.argmax(axis=-1)[..., None], -1)[..., 0], np.inf)


def animal_rows(replicate, draws, days, sizes):
    """(replicate, what, rank) of one animal; `days`, `sizes`: its true molts, day 0 the as_of day."""
    dates, spans = np.asarray(draws.dates_days), np.asarray(draws.leg_span_mm)
    known = [k for k in range(MOLTS) if k < len(days)]
    rows = [(replicate, f"day of molt {k + 1}", rank(dates[:, k], days[k] if k in known else np.inf)) for k in range(MOLTS)]
    rows += [(replicate, f"size after molt {k + 1}", rank(spans[:, k], sizes[k])) for k in known]
    for factor in GROWN:
        target = factor * np.median(draws.start_leg_span_mm)
        rows.append((replicate, f"day of {factor:g} times the size", rank(passage(dates, spans, target), float(passage(days, sizes, target)))))
    return rows


def true_molts(life, animal):
    """Days and leg spans of an animal's molts from its stadia; the last of them ends beyond the study."""
    days = np.append(life.start_day.to_numpy()[1:], life.start_day.iloc[-1] + life.length_days.iloc[-1]) - KNOWN_DAYS
    return days, np.append(20 * np.exp(life.log_size.to_numpy()[1:]), animal.next_size_mm)


def one_collection(replicate, truth):
    n_animals = int(np.random.default_rng(replicate).integers(10, 31))
    records, true = moltspan.simulate_collection(SEED, replicate, n_animals=n_animals, **TRUTHS[truth])
    parameters = dict(zip(true["parameters"].name, true["parameters"].value, strict=True))
    fit = moltspan.fit(records, as_of=parameters["first_day"] + timedelta(days=KNOWN_DAYS), threads=1)
    animals, lives, rows = true["animals"].set_index("animal"), dict(list(true["lives"].groupby("animal"))), []
    for draws in fit.trajectories(molts=12, draws=2000, seed=replicate + 1, threads=1):
        life = lives[draws.animal]
        life = life[life.start_day + life.length_days > KNOWN_DAYS + 1]
        rows += animal_rows(replicate, draws, *true_molts(life, animals.loc[draws.animal]))
    return rows


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("collections", type=int, nargs="?", default=200)
    parser.add_argument("truths", nargs="*", default=list(TRUTHS))
    given = parser.parse_args()
    print("| truth | of | courses | in 50 % | in 80 % | in 95 % | below median |\n|---|---|---|---|---|---|---|")
    for truth in given.truths or TRUTHS:
        with Pool(2) as pool:
            rows = [row for part in pool.imap(partial(one_collection, truth=truth), range(given.collections), chunksize=4) for row in part]
        frame = pd.DataFrame(rows, columns=["collection", "of", "rank"])
        for name, (low, high) in BANDS.items():
            frame[name] = ((frame["rank"] > low) & (frame["rank"] < high)).astype(float)
        frame["below"] = (frame["rank"] < 0.5).astype(float)
        for what, part in frame.groupby("of", sort=False):
            print(f"| {truth} | {what} | {len(part)} | " + " | ".join(share(part[column], part.collection) for column in [*BANDS, "below"]) + " |",
                  flush=True)


if __name__ == "__main__":
    main()
