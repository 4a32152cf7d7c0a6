"""Scores forecasts of the open data against what the records say later.

    python3 score_real_records.py

Crickets (`gryllodes-tpc`) are checked once a week, so `watched="rows"`; lobsters (`lobster-event-log`) every day. A date on which the
fit gives no forecast is said so. At each date the
collection is fitted with nothing later than that date, and every forecast is scored against the animal's next molt in the full
records. That molt is a range of days (crickets) or a day (lobsters): coverage is the predictive mass of the range inside the band
over that of the whole range, the predictive distribution being interpolated between some 250 of its quantiles. A range without
any predictive mass counts as not covered. Standard errors are clustered by animal.

Animals whose next molt is never seen (died, removed, or still in that instar when the study ended) are left out and counted: long
stadia are the likelier to end so, which makes the scored ones a little short. Their sex, undated in the source, is used from the
start. Nothing is tuned to these numbers. Below each table stands what `moltspan.backtest` says from the same dates: it counts animals whose
next molt is never seen with the open range after their last look, and sets the forecast beside the plain rules.
"""

import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np

import moltspan
from moltspan import _core
from moltspan.stadia.score import clustered_mean

HERE = Path(__file__).parent
LEVELS = (0.5, 0.8, 0.95)
GRID = sorted({*LEVELS, *np.linspace(0.01, 0.99, 120), 0.995, 0.998, 0.9998})
CRICKET_DATES = ("2023-06-05", "2023-06-13", "2023-06-26", "2023-07-10")
LOBSTER_DATES = ("2009-10-30", "2009-11-15", "2009-11-25")


class Score(NamedTuple):
    animal: str
    covered: tuple  # share, one a level
    above: float  # predictive mass below the middle of the observed range: about 1/2 on average when the center is right


class Day(NamedTuple):
    as_of: str
    scores: list
    not_seen: int  # animals with a forecast whose next molt is never seen


def converted(name, folder):
    subprocess.run([sys.executable, HERE / f"convert_{name}.py", folder], check=True, capture_output=True)
    return moltspan.read(folder)


def next_molts(collection, as_of):
    """Animal -> (earliest, latest) of its first molt that was not over on `as_of`, from the full records."""
    first = {}
    for row in collection.journal[collection.journal.event == "molt"].itertuples():
        earliest = date.fromisoformat(row.date)
        until = getattr(row, "until", "")  # lobsters have no such column
        latest = date.fromisoformat(until) if until else earliest
        if latest > as_of:
            first[row.animal] = min(first.get(row.animal, (latest, earliest)), (latest, earliest))
    return {animal: (earliest, latest) for animal, (latest, earliest) in first.items()}


def distribution(forecast):
    """Days and cumulative chances, from the edges of many bands."""
    edges = [((1 - band.level) / 2, band.from_days) for band in forecast.bands]
    edges += [((1 + band.level) / 2, band.to_days) for band in forecast.bands]
    chances, days = zip(*sorted(edges), strict=True)
    return np.array(days), np.array(chances)


def score(forecast, low_days, high_days):
    days, chances = distribution(forecast)

    def mass(low, high):
        return max(0.0, np.interp(high, days, chances, left=0, right=1) - np.interp(low, days, chances, left=0, right=1))

    bands = {round(band.level, 12): band for band in forecast.bands}
    edges = [(bands[level].from_days, bands[level].to_days) for level in LEVELS]
    whole = mass(low_days, high_days)
    inside = [mass(max(low, low_days), min(high, high_days)) if high > low_days and low < high_days else 0.0 for low, high in edges]
    covered = tuple(part / whole if whole > 0 else 0.0 for part in inside)
    return Score(forecast.id, covered, float(np.interp((low_days + high_days) / 2, days, chances)))


def score_day(collection, as_of, watched, threads=0):
    today = date.fromisoformat(as_of)
    truth = next_molts(collection, today)
    fit = moltspan.fit(collection, as_of=as_of, watched=watched, threads=threads)
    made = [forecast for forecast in _core.forecast(fit._core, GRID) if forecast.quantile_days]
    scores = [score(f, *range_in_days(truth[f.id], today)) for f in made if f.id in truth]
    return Day(as_of, scores, len(made) - len(scores))


def range_in_days(molt, today):
    """A molt's range, counted from the beginning of today: to the end of its last day."""
    earliest, latest = molt
    return (earliest - today).days, (latest + timedelta(days=1) - today).days


def coverage(scores, level):
    values = [score.covered[LEVELS.index(level)] for score in scores]
    return clustered_mean(values, [score.animal for score in scores])


def line_of(name, scores, not_seen):
    if not scores:
        return f"{name:12}{0:6}{not_seen:10}"
    cells = [f"{100 * (mean := coverage(scores, level)).mean:5.1f} ({100 * mean.clustered_standard_error:.1f})" for level in LEVELS]
    center = np.mean([score.above for score in scores])
    return f"{name:12}{len(scores):6}{not_seen:10}   " + "   ".join(f"{cell:>12}" for cell in cells) + f"{center:8.2f}"


def table_of(name, days):
    head = f"{name:12}{'scored':>6}{'not seen':>10}   " + "   ".join(f"{f'{level:.0%} (s.e.)':>12}" for level in LEVELS) + f"{'center':>8}"
    together = [score for day in days for score in day.scores]
    lines = [line_of(day.as_of, day.scores, day.not_seen) for day in days]
    return "\n".join([head, *lines, line_of("together", together, sum(day.not_seen for day in days))])


def days_or_trouble(collection, dates, watched):
    """The scored days, and a line for each date on which no forecast could be made."""
    days, troubles = [], []
    for as_of in dates:
        try:
            days.append(score_day(collection, as_of, watched, threads=1))
        except ValueError as trouble:
            troubles.append(f"{as_of}: no forecast: {trouble}")
    return days, troubles


def main():
    with tempfile.TemporaryDirectory() as folder:
        for name, dates, watched in (("crickets", CRICKET_DATES, "rows"), ("lobsters", LOBSTER_DATES, "all")):
            collection = converted(name, Path(folder) / name)
            days, troubles = days_or_trouble(collection, dates, watched)
            print("\n".join([table_of(name, days), *troubles]), end="\n\n")
            print(moltspan.backtest(collection, origins=[day.as_of for day in days], watched=watched, threads=1), end="\n\n")


if __name__ == "__main__":
    main()
