"""What a daily series of temperatures gains: forecasts of 24 animals at day 700, each scored by its next molt.

    python benchmarks/temperatures.py [--seeds 100 108] [--heated 5]

Development at 6 % a degree, in a room of 24 C with a year of +- 5 C; stadia of 90 days at 24 C (sd of the log .08). With --heated the room is warmer by
so many degrees from day 700 on, and has slow swings of 1.5 C. The score is the mean quantile loss, days.
"""

import argparse
import datetime

import numpy as np
import pandas as pd

import moltspan

START, DAY, LAST, N = datetime.date(2023, 1, 1), 700, 1100, 24
LEVELS = (0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975)


def iso(k):
    return (START + datetime.timedelta(days=int(k))).isoformat()


def degrees(k, heated):
    usual = 24 + 5 * np.cos(2 * np.pi * (k - 200) / 365.25)
    return usual + heated * (k > DAY) + 1.5 * np.sin(k / 17) * (heated != 0)


def molts(rng, heated):
    done = np.concatenate([[0], np.cumsum(np.exp(0.06 * (degrees(np.arange(LAST + 400), heated) - 24)))])
    lives = []
    for _ in range(N):
        days = [int(rng.integers(0, 40))]
        while days[-1] < LAST:
            days.append(int(np.searchsorted(done, done[days[-1]] + 90 * np.exp(rng.normal(0, 0.08)))))
        lives.append(np.array(days))
    return lives


def scores(lives, until, heated):
    """Mean quantile loss, in 80 %, below the median: a row an animal."""
    journal = [(f"A{a}", iso(k), "molt") for a, days in enumerate(lives) for k in days[days <= DAY]] + [("A0", iso(DAY), "checked")]
    animals = pd.DataFrame({"animal": [f"A{a}" for a in range(N)], "taxon": "Brachypelma hamorii"})
    known = np.arange(until)
    series = pd.DataFrame({"day": [iso(k) for k in known], "degrees_c": degrees(known, heated)}) if until else None
    records = moltspan.Collection(animals, pd.DataFrame(journal, columns=["animal", "date", "event"]), temperatures=series)
    rows = []
    for (_, row), days in zip(moltspan.fit(records).forecast().iterrows(), lives, strict=True):
        off = days[days > DAY][0] - DAY - row[[f"q{level}" for level in LEVELS]].to_numpy(float)
        rows.append((np.mean(2 * np.maximum(np.array(LEVELS) * off, (np.array(LEVELS) - 1) * off)), off[2] >= 0 >= off[6], off[4] < 0))
    return rows


def main():
    asked = argparse.ArgumentParser()
    asked.add_argument("--seeds", nargs=2, type=int, default=(100, 108))
    asked.add_argument("--heated", type=float, default=0)
    asked = asked.parse_args()
    print("| temperatures | forecasts | score, days | in 80 % | below the median |\n|---|---|---|---|---|")
    for name, until in (("none", 0), ("to the last day", DAY + 1), ("and stated to come", DAY + 201)):
        rows = np.array([row for seed in range(*asked.seeds) for row in scores(molts(np.random.default_rng(seed), asked.heated), until, asked.heated)], float)
        loss, within, below = rows.mean(axis=0)
        print(f"| {name} | {len(rows)} | {loss:.2f} | {100 * within:.0f} % | {100 * below:.0f} % |", flush=True)


if __name__ == "__main__":
    main()
