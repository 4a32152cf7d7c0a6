"""Molts that are not in the records: are they found, and what is left of the harm they do?

    python benchmarks/hidden.py [collections, default 60] [study ...] [--seed SEED]
    python benchmarks/hidden.py signs [collections, default 60]
    python benchmarks/hidden.py clean [collections, default 60]

Each collection (60 animals of one kind, seed 907 unless said, sigma .25, animals' sd .15): a tenth of the molts goes unrecorded; instar numbers are not
written down; leg spans are read to 5 mm with an error of 6 %, or not at all. Printed: error of the fitted length (at the mean size) and of
sigma, with hidden molts reckoned with and not; area under the curve of the stated chances that a gap hides a molt; stated chance against share,
by tenths; bands of the next molt; stated chance of a molt missed since the last one on record against share.

`signs`: 8 % missed, signs of a coming molt noted in 70 % of stadia: CRPS of the next molt (as in signs.py) with and without the rows of
signs, hidden molts reckoned with and not; differences paired, clustered by collection. `clean`: nothing missed, the collections of bands.py:
by how much the median forecast moves.
"""

import sys
from multiprocessing import Pool

import numpy as np

import moltspan
from moltspan import _core
from moltspan.collection.fit import forecast_document

SEED = 907
BASE = {"n_animals": 60, "n_taxa": 1, "n_genera": 1, "taxon_sd": 0, "genus_sd": 0, "sigma": 0.25, "animal_sd": 0.15, "bred_chance": 0.6,
        "intercept": 4.2, "study_days": 900, "entry_window_days": 500, "write_instars": False}
STUDIES = {
    "10 % missed, sizes": {"missed_molt_chance": 0.1},
    "10 % missed, no sizes": {"missed_molt_chance": 0.1, "reading_chance": 0.0, "exponent": 0.0},
    "none missed, sizes": {"missed_molt_chance": 0.0},
}
SIGNS = {"missed_molt_chance": 0.08, "darkened_chance": 0.7, "sign_lag_days": 10}
# One kind only: its effect must not share its length with the intercept, which is what is compared.
PRIORS = {"Intercept": ("normal", 4.0, 2.0), "genus_sd": ("half_normal", 1e-3), "taxon_sd": ("half_normal", 1e-3)}
USUAL_LOG_RATIO = np.log(1.30)  # of sizes that were never read: shared/husbandry.toml


def area_under_curve(chance, truth):
    """Chance that a gap with a hidden molt is rated above one without (ties half), from ranks."""
    order = np.argsort(chance, kind="stable")
    ranks = np.empty(len(chance))
    ranks[order] = np.arange(1, len(chance) + 1)
    for value in np.unique(chance):
        ranks[chance == value] = ranks[chance == value].mean()
    n = truth.sum()
    return (ranks[truth].sum() - n * (n + 1) / 2) / (n * (len(truth) - n))


def errors(fit, options, stadia):
    """log of fitted over true median length at the mean size of the stadia, and of sigma."""
    measured = options.get("reading_chance", 1) > 0
    size = stadia.log_size.mean() if measured else USUAL_LOG_RATIO * stadia.groupby("animal").cumcount().mean()
    coefficients = fit.stadia.coefficients
    truth = options["intercept"] + options.get("exponent", 0.5) * stadia.log_size.mean()
    return coefficients["Intercept"] + coefficients["log_size"] * size - truth, np.log(fit.stadia.sigma / options["sigma"])


def one_collection(job):
    study, replicate, seed = job
    options = BASE | STUDIES[study]
    records, true = moltspan.simulate_collection(seed, replicate, **options)
    ours, ignoring = (moltspan.fit(records, threads=1, priors=PRIORS, hidden_molts=hidden) for hidden in (True, False))
    stadia, animals = true["stadia"], true["animals"].set_index("animal")
    lives = true["lives"].groupby("animal").known.last()
    bands = []
    for answer in forecast_document(ours, (0.5, 0.8, 0.95))["animals"]:
        day = animals.days_to_next_molt[answer["animal"]]
        if answer["next_molt"] and np.isfinite(day) and answer["chance_missed"] is not None:
            q = answer["next_molt"]["quantile_days"]
            inside = [q[low] <= day <= q[high] for low, high in (("0.25", "0.75"), ("0.1", "0.9"), ("0.025", "0.975"))]
            bands.append((replicate, *inside, day < q["0.5"], answer["chance_missed"], not lives[answer["animal"]]))
    return errors(ours, options, stadia), errors(ignoring, options, stadia), gaps_of(ours, stadia), bands, ours._core.hidden.missed_chance


def gaps_of(fit, stadia):
    """(stated chance, truth) of closed gaps, in the order of both tables."""
    rows, closed = fit._core.hidden_rows, stadia[stadia.status == "closed"]
    assert [row[0] for row in rows] == list(closed.animal)
    return [(row[3] + row[4], hidden) for row, hidden in zip(rows, closed.hidden_molts > 0, strict=True)]


def tenths(chance, truth):
    """Rows (stated, share, standard error, n) of the tenths that hold any."""
    rows = []
    for low in np.arange(10):
        here = (chance >= low / 10) & ((chance < (low + 1) / 10) | (low == 9))
        if here.any():
            error = np.sqrt((chance[here] * (1 - chance[here])).sum()) / here.sum()
            rows.append((chance[here].mean(), truth[here].mean(), error, here.sum()))
    return rows


def table_of(rows):
    lines = ["| stated | share | s.e. | n | off by s.e. |", "|---|---|---|---|---|"]
    return "\n".join(lines + [f"| {a:.3f} | {b:.3f} | {s:.3f} | {n} | {(b - a) / s:+.1f} |" for a, b, s, n in rows if s > 0])


def study(n, name, seed=SEED):
    with Pool(1) as pool:
        results = pool.map(one_collection, [(name, r, seed) for r in range(n)], chunksize=2)
    print(f"### {name}\n\nchance of a missed molt: {np.mean([r[4] for r in results]):.3f}\n")
    for title, k in (("reckoned with", 0), ("ignored", 1)):
        both = np.array([r[k] for r in results])
        error = both.std(axis=0) / np.sqrt(n)
        mean = 100 * np.expm1(both.mean(axis=0))
        print(f"{title}: length {mean[0]:+.1f} ± {100 * error[0]:.1f} %, sigma {mean[1]:+.1f} ± {100 * error[1]:.1f} %")
    gaps = np.array([gap for r in results for gap in r[2]], dtype=float)
    chance, truth = gaps[:, 0], gaps[:, 1] > 0
    print(f"gaps {len(gaps)}, hidden {truth.sum()}" + (f", area under the curve {area_under_curve(chance, truth):.4f}" if truth.any() else ""))
    print("\ngaps:\n\n" + table_of(tenths(chance, truth)))
    bands = np.array([row for r in results for row in r[3]], dtype=float)
    names = ("in 50 %", "in 80 %", "in 95 %", "below median")
    print(f"\n{len(bands)} forecasts:", ", ".join(f"{name} {100 * bands[:, i + 1].mean():.1f}" for i, name in enumerate(names)))
    print("\nrunning stadia:\n\n" + table_of(tenths(bands[:, 5], bands[:, 6] > 0)), "\n", flush=True)


def one_with_signs(replicate):
    import signs as scoring

    options = BASE | SIGNS
    records, true = moltspan.simulate_collection(SEED, replicate, **options)
    plain, _ = moltspan.simulate_collection(SEED, replicate, **(options | {"darkened_chance": 0}))
    days = true["animals"].set_index("animal").days_to_next_molt

    def scores(collection, hidden):
        forecasts = _core.forecast(moltspan.fit(collection, as_of=records.as_of, threads=1, hidden_molts=hidden)._core, scoring.LEVELS)
        return {f.id: scoring.crps(scoring.quantiles(f), days[f.id]) for f in forecasts if f.quantile_days and np.isfinite(days[f.id])}

    all_scores = [scores(collection, hidden) for hidden in (True, False) for collection in (records, plain)]
    return [[score[name] for score in all_scores] for name in all_scores[0]]


def signs(n):
    with Pool(1) as pool:
        parts = [np.array(part) for part in pool.map(one_with_signs, range(n), chunksize=2)]
    scores = np.concatenate(parts)
    group = np.repeat(np.arange(n), [len(part) for part in parts])
    names = ("reckoned with, signs", "reckoned with, no signs", "ignored, signs", "ignored, no signs")
    print(f"{len(scores)} forecasts; CRPS in days: " + ", ".join(f"{name} {mean:.2f}" for name, mean in zip(names, scores.mean(axis=0), strict=True)))
    for a, b in ((0, 1), (2, 3), (0, 2)):
        difference = scores[:, a] - scores[:, b]
        sums = np.bincount(group, difference - difference.mean(), n)
        print(f"{names[a]} less {names[b]}: {difference.mean():+.2f} ± {np.sqrt((sums**2).sum()) / len(scores):.2f}")


def one_clean(job):
    """Shifts of the median next molt (log of days since the beginning of the stadium's last known day) and of the width, by animal."""
    import bands

    truth, replicate = job
    n_animals = int(np.random.default_rng(replicate).integers(10, 31))
    records, true = moltspan.simulate_collection(bands.SEED, replicate, n_animals=n_animals, **bands.TRUTHS[truth])
    pairs = [_core.forecast(moltspan.fit(records, threads=1, hidden_molts=hidden)._core, []) for hidden in (True, False)]
    rows = []
    median, low, high = (_core.STANDARD_QUANTILES.index(p) for p in (0.5, 0.025, 0.975))
    for ours, plain in zip(*pairs, strict=True):
        if plain.quantile_days and plain.last_molt is not None:
            age = (records.as_of - moltspan._frames.frames.day_of(plain.last_molt[1])).days
            a, b = ours.quantile_days, plain.quantile_days
            rows.append((np.log((age + a[median]) / (age + b[median])), np.log((a[high] - a[low]) / (b[high] - b[low])), ours.chance_missed))
    return rows


def clean(n):
    for truth in ("daily checks", "weekly checks", "fast slings"):
        with Pool(1) as pool:
            rows = np.array([row for part in pool.map(one_clean, [(truth, r) for r in range(n)], chunksize=2) for row in part])
        shift, width, missed = 100 * rows[:, 0], 100 * rows[:, 1], rows[:, 2]
        print(f"{truth}: {len(rows)} forecasts; median stadium {shift.mean():+.2f} % on average, {np.mean(np.abs(shift)):.2f} % in absolute value, "
              f"{np.quantile(np.abs(shift), 0.95):.1f} % at its 95 % point; 95 % band {width.mean():+.1f} %; "
              f"chance missed {np.nanmean(missed):.3f}", flush=True)


def main():
    words, seed = sys.argv[1:], SEED
    if "--seed" in words:
        at = words.index("--seed")
        seed = int(words[at + 1])
        del words[at:at + 2]
    if words[:1] in (["signs"], ["clean"]):
        {"signs": signs, "clean": clean}[words[0]](int(words[1]) if len(words) > 1 else 60)
        return
    n = int(words[0]) if words else 60
    for name in words[1:] or STUDIES:
        study(n, name, seed)


if __name__ == "__main__":
    main()
