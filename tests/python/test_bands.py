"""Short versions of benchmarks/bands.py and benchmarks/calibration.py: bands on simulated collections, ranks of known truths.

Seeds are fixed, so these tests give the same numbers every time; the limits are 4 standard errors of what was simulated, clustered by
collection, so that a band that is off by several points fails and chance does not.
"""

import numpy as np
import pytest
from benchmark_scripts import load



def clustered(values, groups):
    """Mean and its standard error."""
    mean = values.mean()
    sums = [((values - mean)[groups == group]).sum() for group in np.unique(groups)]
    return mean, np.sqrt(np.square(sums).sum()) / len(values)


@pytest.mark.parametrize("truth", ["daily checks", "fast slings"])
def test_bands_hold_what_they_promise(truth):
    bands = load("bands")
    rows = np.array([row for replicate in range(60) for row in bands.one_collection((truth, replicate), {})], dtype=float)
    assert len(rows) > 600
    for column, promised in ((3, 0.5), (4, 0.8), (5, 0.95), (6, 0.5)):
        share, error = clustered(rows[:, column], rows[:, 0])
        assert abs(share - promised) < 4 * error, f"{truth}, column {column}: {share:.3f} +- {error:.3f}, promised {promised}"


def test_ranks_of_truths_drawn_from_the_priors_are_uniform():
    calibration = load("calibration")
    results = [calibration.one_collection(replicate) for replicate in range(60)]
    ranks = np.array([ranks for ranks, _, _ in results])
    # The mean of 60 uniform ranks has a standard error of .0373; one of nine parameters strays beyond 3.5 of them once in 240 suites.
    assert np.all(np.abs(ranks.mean(axis=0) - 0.5) < 3.5 * 0.2887 / np.sqrt(len(ranks)))
    molts = np.array([one for _, _, one in results if one is not None])
    assert abs(molts.mean() - 0.5) < 3.5 * 0.2887 / np.sqrt(len(molts))
