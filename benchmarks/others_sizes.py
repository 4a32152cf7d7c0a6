"""Sizes to come on the second simulator: after the next molts, and the day a larger size is reached, with the chance that it never is."""

from datetime import timedelta

import numpy as np
from courses import passage
from others_lives import FIRST_DAY

import moltspan

AFTER = (1, 2, 4)
GROWN = (1.3, 1.6, 2.0)
MOLTS, DRAWS = 16, 1000  # with sixteen molts an adult size is reached as near as anybody can measure
BANDS = {"in 50%": (0.25, 0.75), "in 80%": (0.1, 0.9), "in 95%": (0.025, 0.975)}


def pit(draws, truth):
    """Range of the distribution function at the truth; draws and truths that never get there are infinite."""
    return (float(np.mean(draws < truth)), 1.0) if not np.isfinite(truth) else (float(np.mean(draws < truth)),) * 2


def share_within(pit_range, low, high):
    """Share of the range within (low, high); of a point 1 or 0."""
    first, last = pit_range
    return float(low < first < high) if last <= first else max(0.0, min(last, high) - max(first, low)) / (last - first)


def row_of(what, draws, truth):
    at = pit(draws, truth)
    row = {"of": what, "below": share_within(at, -1, 0.5), "never stated": float(np.mean(~np.isfinite(draws))), "never": float(not np.isfinite(truth))}
    return row | {name: share_within(at, *band) for name, band in BANDS.items()}


def animal_rows(animal, origin, course):
    """One animal's molts to come, against the draws of its course. Its size of today is the true one, so that all targets are alike."""
    before = [molt for molt in animal.molts if molt.day < origin + 1]
    later = [molt for molt in animal.molts if molt.day >= origin + 1]
    days, sizes = np.array([molt.day - origin for molt in later]), np.array([molt.size_mm for molt in later])
    dates, spans = np.asarray(course.dates_days), np.asarray(course.leg_span_mm)
    rows = [row_of(f"size after molt {k}", spans[:, k - 1], sizes[k - 1]) for k in AFTER if k <= len(sizes)]
    for factor in GROWN if before else ():
        target = factor * before[-1].size_mm
        rows.append(row_of(f"day of {factor:g} times the size", passage(dates, spans, target), float(passage(days, sizes, target))))
    return [{"animal": animal.name, **row} for row in rows]


def size_cases(study, options=None):
    """A row an animal, origin and question."""
    animals, rows = {animal.name: animal for animal in study.animals}, []
    for origin in study.origins:
        fit = moltspan.fit(study.collection, as_of=FIRST_DAY + timedelta(days=origin), watched=study.watched, threads=1, **(options or {}))
        for course in fit.trajectories(molts=MOLTS, draws=DRAWS, seed=origin, threads=1):
            if animals[course.animal].from_day <= origin:
                rows += animal_rows(animals[course.animal], origin, course)
    return rows
