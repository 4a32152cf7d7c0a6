"""Coverage of the bootstrap bands of the non-parametric estimate, and its time.

    python benchmarks/nonparametric.py [replicates]

Truth: log-normal stadia, median 60 days, sd .4 of the log; looks at fixed gaps from a random first day, in whole days; a fifth not seen to the end;
with "late entry" half of the animals are watched from a random age on. Shares with their binomial standard errors.
"""

import sys
import time
from statistics import NormalDist

import numpy as np

import moltspan

MEDIAN, SD = 59.5, 0.4  # so that the median in whole days is 60
TIMES = (40, 60, 80)


def draw(random, n, gap, late):
    """Whole days: a length within a day counts as that day's end, so that the truth at whole days is that of the continuous law."""
    low, high, entry = [], [], []
    while len(low) < n:
        length = np.ceil(MEDIAN * np.exp(SD * random.normal()))
        age = float(random.integers(1, 50)) if late and random.uniform() < 0.5 else 0.0
        stop = random.integers(30, 200)
        if gap == 1:
            bounds = (length, length)
        else:
            first = random.integers(1, gap + 1)
            k = np.ceil((length - first) / gap)
            bounds = (max(0.0, first + (k - 1) * gap), first + k * gap)
        if bounds[1] > stop:
            bounds = (min(bounds[0], stop), np.nan)
        bounds = (max(bounds[0], age), bounds[1])
        if length <= age or (np.isnan(bounds[1]) and bounds[0] <= age) or bounds[1] <= age:
            continue
        low.append(bounds[0]), high.append(bounds[1]), entry.append(age)
    return low, high, entry


def truth(t):
    return 1 - NormalDist().cdf(np.log(t / MEDIAN) / SD)


def study(n, gap, late, replicates, seed=11):
    random = np.random.default_rng(seed)
    hits, medians = np.zeros(len(TIMES)), 0
    for replicate in range(replicates):
        fit = moltspan.stadium_npmle(*draw(random, n, gap, late))
        band = fit.band(TIMES, level=0.9, resamples=200, seed=replicate)
        hits += [(lo - 1e-12 <= truth(t) <= up + 1e-12) for t, lo, up in zip(TIMES, band["lower"], band["upper"], strict=True)]
        limits = fit.quantile([0.5], level=0.9, resamples=200, seed=replicate)
        medians += limits["lower"][0] <= np.ceil(MEDIAN) <= limits["upper"][0]
    return [*(hits / replicates), medians / replicates]


def coverage(replicates):
    print("| looks | n | entry | S(40) | S(60) | S(80) | median |\n|---|---|---|---|---|---|---|")
    for gap, n, late in ((1, 40, False), (7, 40, False), (7, 150, False), (14, 40, False), (1, 40, True), (7, 100, True)):
        shares = study(n, gap, late, replicates)
        cells = " | ".join(f"{100 * p:.1f} ± {100 * np.sqrt(p * (1 - p) / replicates):.1f}" for p in shares)
        print(f"| {'daily' if gap == 1 else f'every {gap} days'} | {n} | {'late' if late else 'from birth'} | {cells} |", flush=True)


def timing():
    print("\n| records | kind | seconds | gap |\n|---|---|---|---|")
    random = np.random.default_rng(1)
    for n in (1000, 10_000, 100_000):
        length, first = 60 * np.exp(0.4 * random.normal(size=n)), 7 * random.uniform(size=n)
        low = np.maximum(0, first + 7 * np.floor((length - first) / 7))
        high = np.where(length < first, first, low + 7)
        days = np.ceil(length)
        for kind, bounds in (("weekly looks, continuous", (low, high)), ("weekly looks, whole days", (np.floor(low), np.ceil(high))), ("exact days", (days, days))):
            begun = time.perf_counter()
            fit = moltspan.stadium_npmle(*bounds)
            print(f"| {n} | {kind} | {time.perf_counter() - begun:.3f} | {max(fit.gap, fit.support_gap):.0e} |", flush=True)


if __name__ == "__main__":
    coverage(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
    timing()
