"""What a clock that runs with temperature and season is worth: scenarios of `others_scenarios.py`, fitted with and without it.

    python benchmarks/clock.py [studies a scenario, default 6] [scenario ...]

Even seeds from 0 on; every study is forecast from each of its origins. Printed: share of the next molts inside the bands and before the median, the
least and the greatest share before the median by month of the forecast, CRPS in days with its change, and the season found.
"""

import argparse
from datetime import timedelta
from multiprocessing import Pool

import numpy as np
import pandas as pd
from others_lives import FIRST_DAY, next_molt
from others_scenarios import draw

import moltspan
from moltspan import _core

SCENARIOS = ("season nobody measured", "temperature over the year", "moved to a warmer house", "adult sizes not stated", "one animal a kind")
LEVELS = np.array(_core.STANDARD_QUANTILES)
GRID = (np.arange(200) + 0.5) / 200


def crps(quantile_days, day):
    """Mean pinball loss over the quantile function, linear between the standard quantiles."""
    at = np.interp(GRID, LEVELS, quantile_days)
    return 2 * np.mean((day - at) * (GRID - (day < at)))


def rows_of(job):
    name, seed, clock = job
    study, rows = draw(name, seed), []
    animals = {animal.name: animal for animal in study.animals}
    for origin in study.origins:
        as_of = FIRST_DAY + timedelta(days=int(origin))
        fit = moltspan.fit(study.collection, as_of=as_of, threads=1, clock=clock, watched=study.watched)
        for forecast in _core.forecast(fit._core, []):
            animal = animals[forecast.id]
            day = next_molt(animal, origin) - origin
            if not forecast.quantile_days or not np.isfinite(day) or not animal.from_day <= origin <= animal.until_day:
                continue
            place = np.interp(day, forecast.quantile_days, LEVELS)
            rows.append((as_of.month, *(abs(place - 0.5) <= level / 2 for level in (0.5, 0.8)), place < 0.5,
                         crps(forecast.quantile_days, day), fit._core.clock.season.log_rate.amplitude))
    return rows


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("studies", type=int, nargs="?", default=6)
    parser.add_argument("scenarios", nargs="*", default=list(SCENARIOS))
    given = parser.parse_args()
    print("| scenario | clock | forecasts | in 50 / 80 % | below median | by month | CRPS | season |\n|---|---|---|---|---|---|---|---|")
    for name in given.scenarios or SCENARIOS:
        for clock in (False, True):
            with Pool(2) as pool:
                rows = [row for part in pool.imap(rows_of, [(name, 2 * k, clock) for k in range(given.studies)]) for row in part]
            frame = pd.DataFrame(rows, columns=["month", "50", "80", "below", "crps", "season"]).astype(float)
            shares, months = 100 * frame.mean(), 100 * frame.groupby("month").below.mean()
            print(f"| {name} | {'yes' if clock else 'no'} | {len(frame)} | {shares['50']:.0f} / {shares['80']:.0f} | "
                  f"{shares.below:.0f} | {months.min():.0f} to {months.max():.0f} | {frame.crps.mean():.2f} | {frame.season.mean():.2f} |", flush=True)


if __name__ == "__main__":
    main()
