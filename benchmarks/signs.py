"""What signs of a coming molt are worth: CRPS and bands on simulated collections, with the signs and with their rows left out.

    python benchmarks/signs.py [collections, default 200] [study ...]

Each collection (40 animals, seed 311): signs noted before 60 % of the molts, log-normal lags of median 14 days (darkened) and 5 days
(refused) with log-sd .5, all learned from the collection itself. "false alarms": one in three stadia as well, of either
kind, or one of each kind. Forecasts are
scored against the true next molt by the CRPS of 99 quantiles; standard errors are clustered by collection. "told": the share below the
median and the gain of one who is told all true parameters, effects and sizes, on the same animals: what there is to gain, and what of the
share is chance.
"""

import sys
from multiprocessing import Pool

import numpy as np
import pandas as pd
from scipy.stats import norm

import moltspan
from moltspan import _core

SEED = 311
BASE = {"n_animals": 40, "n_taxa": 3, "n_genera": 2, "entry_window_days": 400, "bought_age_days": 300, "study_days": 900, "write_instars": True}
SIGNS = {"darkened_chance": 0.6, "refused_chance": 0.6, "sign_lag_days": 14, "refused_lag_days": 5}
ONE_IN_THREE = 365.25 / 95 / 3  # a year, at a mean stadium of 95 days
STUDIES = {
    "signs": SIGNS,
    "darkened only, 14 days": {"darkened_chance": 0.6, "sign_lag_days": 14},
    "refused only, 5 days": {"refused_chance": 0.6, "sign_lag_days": 5},
    "a false alarm in three stadia": SIGNS | {"false_signs_per_year": ONE_IN_THREE / 2},
    "one of each kind in three stadia": SIGNS | {"false_signs_per_year": ONE_IN_THREE},
}
LEVELS = [abs(1 - 2 * p / 100) for p in range(1, 50)]
PROBABILITIES = np.arange(1, 100) / 100


def quantiles(forecast):
    """The 99 percentiles, from the edges of 49 bands and the median."""
    edges = [(band.from_days, band.to_days) for band in forecast.bands]
    median = forecast.quantile_days[_core.STANDARD_QUANTILES.index(0.5)]
    return np.array([low for low, _ in edges] + [median] + [high for _, high in reversed(edges)])


def crps(q, day):
    return 2 * np.mean((np.where(day < q, 1.0, 0.0) - PROBABILITIES) * (q - day))


def forecasts(records):
    fit = moltspan.fit(records, threads=1)
    return {f.id: quantiles(f) for f in _core.forecast(fit._core, LEVELS) if f.quantile_days}


DAYS = np.concatenate([np.linspace(0, 60, 1201), np.linspace(60.5, 1500, 2880)])  # from the end of the watch


def lag_cdf(days, median, log_sd=0.5):
    return np.where(days > 0, norm.cdf(np.log(np.maximum(days, 1e-9) / median) / log_sd), 0.0)


def lag_density(days, median, log_sd=0.5):
    return np.where(days > 0, norm.pdf(np.log(np.maximum(days, 1e-9) / median) / log_sd) / np.maximum(days, 1e-9) / log_sd, 0.0)


def sign_factor(options, kind, life, marks, from_day, end, molt):
    """Likelihood of the marks of one kind of sign (days) given the day of the molt, all parameters known."""
    noted, rate = options[f"{kind}_chance"], options.get("false_signs_per_year", 0) / 365.25
    lag = options["refused_lag_days" if kind == "refused" and "refused_lag_days" in options else "sign_lag_days"]
    median = lag * np.exp(0.5 * life["log_size"])
    before = 1 - lag_cdf(molt - from_day, median)
    if not marks:
        return 1 - noted + noted * (lag_cdf(molt - end, median) + before)
    first = min(marks) + 0.5
    return noted * lag_density(molt - first, median) + rate * (1 - noted + noted * (lag_cdf(molt - first, median) + before))


def told_quantiles(options, truth):
    """animal -> 99 percentiles of the next molt by one who is told everything, (with, without) the signs; log-normal stadia."""
    p = dict(zip(truth["parameters"]["name"], truth["parameters"]["value"], strict=True))
    animals, signs, end = truth["animals"].set_index("animal"), truth["signs"], p["study_days"] + 1
    found = {}
    for name, lives in truth["lives"].groupby("animal"):
        life, a = lives.iloc[-1], animals.loc[name]
        molt = end + DAYS
        mean = (p["intercept"] + p["exponent"] * life.log_size + p["temperature_effect"] * (life.temperature_c - 25) + a.level_effect
                + a.animal_effect)
        plain = norm.pdf((np.log(molt - life.start_day) - mean) / p["sigma"]) / (molt - life.start_day) * np.gradient(molt)
        marks = signs[(signs.animal == name) & (signs.stadium == len(lives) - 1)] if len(signs) else signs
        from_day, both = max(np.floor(a.acquired_day), np.floor(life.start_day) + 1), plain
        for kind in ("darkened", "refused"):
            if options.get(f"{kind}_chance"):
                both = both * sign_factor(options, kind, life, list(marks.day[marks.event == kind]), from_day, end, molt)
        if plain.sum() > 0 and both.sum() > 0:
            found[name] = [np.interp(PROBABILITIES, np.cumsum(law) / law.sum(), DAYS + 1) for law in (both, plain)]
    return found


def shows_sign(truth):
    """Animals with any sign noted in the stadium that is running."""
    lives, signs = truth["lives"], truth["signs"]
    if not len(signs):
        return set()
    last = lives.groupby("animal").size() - 1
    signs = signs[signs.event.isin(["darkened", "refused"])]
    return set(signs.animal[signs.stadium == signs.animal.map(last)])


def one_collection(job):
    """Rows (replicate, shows a sign, CRPS with, without, inside 50 / 80 / 95 %, below the median; CRPS and below of one who is told all)."""
    study, replicate = job
    options = BASE | STUDIES[study]
    with_signs, truth = moltspan.simulate_collection(SEED, replicate, **options)
    without, _ = moltspan.simulate_collection(SEED, replicate, **(options | {"darkened_chance": 0, "refused_chance": 0}))
    ours, plain, shown, told = forecasts(with_signs), forecasts(without), shows_sign(truth), told_quantiles(options, truth)
    days = dict(zip(truth["animals"]["animal"], truth["animals"]["days_to_next_molt"], strict=True))
    rows = []
    for animal, q in ours.items():
        day = days.get(animal, np.nan)
        if not np.isfinite(day) or animal not in plain or animal not in told:
            continue
        at = lambda p: np.interp(p, PROBABILITIES, q)  # noqa: E731
        inside = [at(low) <= day <= at(high) for low, high in ((0.25, 0.75), (0.1, 0.9), (0.025, 0.975))]
        rows.append((replicate, animal in shown, crps(q, day), crps(plain[animal], day), *inside, day < at(0.5),
                     crps(told[animal][0], day), crps(told[animal][1], day), day < told[animal][0][49]))
    return rows


COLUMNS = ["collection", "shown", "crps", "without", "50", "80", "95", "below", "told_crps", "told_without", "told_below"]


def frame_of(rows):
    return pd.DataFrame(rows, columns=COLUMNS).astype({name: float for name in COLUMNS[2:]})


def share(part, column):
    """Mean in percent and its clustered standard error."""
    deviations = (part[column] - part[column].mean()).groupby(part.collection).sum()
    return f"{100 * part[column].mean():.1f} ± {100 * np.sqrt((deviations**2).sum()) / len(part):.1f}"


def gain(part, crps="crps", without="without"):
    """CRPS saved in percent of that without signs, with its clustered error."""
    ratio = part[crps].mean() / part[without].mean()
    deviations = (part[crps] - ratio * part[without]).groupby(part.collection).sum()
    return f"{100 * (1 - ratio):.1f} ± {100 * np.sqrt((deviations**2).sum()) / part[without].sum():.1f}"


def main():
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("| study | animals | forecasts | CRPS, days | without the rows | saved, % | in 50 % | in 80 % | in 95 % | below median | told: saved, % "
          "| told: below median |")
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    for study in sys.argv[2:] or STUDIES:
        with Pool(1) as pool:
            frame = frame_of([row for part in pool.imap(one_collection, [(study, r) for r in range(n)], chunksize=4) for row in part])
        for name, part in (("all", frame), ("with a sign", frame[frame.shown]), ("without", frame[~frame.shown])):
            print(f"| {study} | {name} | {len(part)} | {part.crps.mean():.2f} | {part.without.mean():.2f} | {gain(part)} | "
                  + " | ".join(share(part, column) for column in ("50", "80", "95", "below"))
                  + f" | {gain(part, 'told_crps', 'told_without')} | {share(part, 'told_below')} |", flush=True)


if __name__ == "__main__":
    main()
