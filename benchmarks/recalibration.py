"""What recalibration gains and costs.

    python benchmarks/recalibration.py 60 40                     # right model: collections, animals each; forecasts at the end against the truth
    python benchmarks/recalibration.py --demo FOLDER picture.png # a collection's look-back: what was promised and held, before and after

The same where the model is wrong: `python benchmarks/others.py --fit recalibrate=False --save before.csv`, then `--beside before.csv`.
"""

import sys

import numpy as np

import moltspan
from moltspan import _core

LEVELS = [(2 * k + 1) / 100 for k in range(50)] + [0.5, 0.8, 0.95]


def scores(fit, days_to_molt):
    """CRPS and whether the truth lay in the 50, 80 and 95 % bands, of each running stadium."""
    rows = []
    for forecast in _core.forecast(fit._core, LEVELS, None):
        y, bands = days_to_molt.get(forecast.id, np.inf), forecast.bands
        if not bands or not 1 <= y < np.inf:
            continue
        edges = [((1 - b.level) / 2, b.from_days) for b in bands[:50]] + [((1 + b.level) / 2, b.to_days) for b in bands[:50]]
        rows.append([np.mean([2 * ((y < q) - p) * (q - y) for p, q in edges]), *(b.from_days <= y <= b.to_days for b in bands[50:])])
    return rows


def right_model(collections, animals):
    found = {True: [], False: []}
    for seed in range(collections):
        collection, truth = moltspan.simulate_collection(seed=seed, n_animals=animals)
        days = dict(zip(truth["animals"].animal, truth["animals"].days_to_next_molt, strict=True))
        for recalibrate, rows in found.items():
            rows += scores(moltspan.fit(collection, recalibrate=recalibrate), days)
    after, before = (np.array(found[key]) for key in (True, False))
    change = (after - before)[:, 0]
    print(f"{len(after)} forecasts: CRPS {before[:, 0].mean():.2f} days, changed by {100 * change.mean() / before[:, 0].mean():+.2f} % "
          f"(s.e. {100 * change.std() / len(change) ** 0.5 / before[:, 0].mean():.2f})")
    print("50, 80, 95 % bands hold, %, before:", *np.round(100 * before[:, 1:].mean(0), 1), " after:", *np.round(100 * after[:, 1:].mean(0), 1))


def demo(folder, file):
    collection = moltspan.read(folder)
    before, after = (moltspan.backtest(collection, recalibrate=one) for one in (False, True))
    axes = moltspan.plot_backtest(after, beside=before, title="Recalibrated; the other: before")
    axes[0].figure.savefig(file, dpi=120, bbox_inches="tight")


if __name__ == "__main__":
    demo(*sys.argv[2:4]) if sys.argv[1] == "--demo" else right_model(*map(int, sys.argv[1:3]))
