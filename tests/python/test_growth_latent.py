"""The growth model with latent sizes: against dense algebra and sampling, laws, simulated truth."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from moltspan import _core

TINY = Path(__file__).parent.parent / "reference" / "growth_latent_tiny"
LEG_SPAN = _core.GrowthMeasure("leg_span", 0.06, 0.35, -0.05)


def growth_data(rows, groups=None, step=None, reference=20.0):
    """`rows`: (animal, instar, value), by animal and instar; one measure."""
    data = _core.GrowthData()
    data.measures = [LEG_SPAN]
    instars = {}
    for animal, instar, _ in rows:
        instars[animal] = max(instar, instars.get(animal, 0))
    data.animals = [_core.GrowthAnimal([1.0] * instars[animal]) for animal in sorted(instars)]
    bounds = [((value - step / 2) / reference, (value + step / 2) / reference) if step else (0.0, 0.0) for *_, value in rows]
    data.readings = [_core.GrowthReading(a, k, 0, np.log(value / reference), low, high)
                     for (a, k, value), (low, high) in zip(rows, bounds, strict=True)]
    data.columns = np.zeros((len(rows), 0))
    data.groups = groups or [[], [], [], list(range(len(data.animals)))]
    return data


def fitted(data, form="constant", **options):
    given = _core.GrowthModelOptions()
    given.form = getattr(_core.GrowthForm, form)
    for name, value in options.items():
        setattr(given, name, value)
    return _core.fit_growth_model(data, given)


def next_size(fit, animal, molts=1):
    """Mean and sd of the log size after `molts` molts."""
    mixture = _core.size_after(fit, animal, molts)
    mean, weights = mixture.mean[:, molts - 1], mixture.weights
    variance = mixture.variance[:, molts - 1] + np.exp(2 * mixture.log_sigma)
    center = weights @ mean
    return center, np.sqrt(weights @ (variance + (mean - center) ** 2))


@pytest.mark.parametrize(("case", "column", "step"), [("exact", "size_mm", None), ("rounded", "rounded_mm", 5.0)])
def test_tiny_table_against_dense_algebra(case, column, step):
    # tests/reference/growth_latent_tiny/dense.py: dense covariances on a grid over the spreads, rounding by sequential conditioning.
    rows = [(int(r["animal"]), int(r["instar"]), float(r[column])) for r in csv.DictReader(open(TINY / "readings.csv"))]
    answers = json.loads((TINY / "answers.json").read_text())
    want = answers[case]
    fit = fitted(growth_data(rows, step=step))
    # 512 lattice points stand for an integral over three spreads, moments for rounding intervals: a spread's mean is off by up to 0.2 of
    # its wide posterior sd (4096 points: 0.02, rounded 0.14), what is predicted by up to 0.03 of its sd.
    spreads = dict(zip(fit.spread_names, fit.spreads, strict=True))
    for name, mean, sd in zip(("process_sd", "reading_sd.leg_span", "animal_sd"), want["spread_mean"], want["spread_sd"], strict=True):
        assert spreads[name].mean == pytest.approx(mean, abs=0.2 * sd)
        assert spreads[name].sd == pytest.approx(sd, rel=0.12)
    predicted = [next_size(fit, animal) for animal in range(3)] + [(fit.log_ratio.mean, fit.log_ratio.sd)]
    for (center, sd), mean, error in zip(predicted, [*want["next_mean"], want["log_ratio"][0]], [*want["next_sd"], want["log_ratio"][1]],
                                         strict=True):
        assert center == pytest.approx(mean, abs=0.03 * error)
        assert sd == pytest.approx(error, rel=0.03)
    assert fit.log_evidence == pytest.approx(want["log_evidence"], abs=0.05 if case == "exact" else 0.15)


def simulated(seed=1, n=24, k=6, taxa=4, step=5.0, process=0.04, error=0.06):
    """Invented sizes by the textbook law of growth: rows, and the true (log ratio, log size after the next molt) of each animal."""
    draws = np.random.default_rng(seed)
    of_taxon = draws.normal(0, 0.03, taxa)
    rows, truth = [], []
    for animal in range(n):
        size, ratio = np.log(draws.uniform(8, 30) / 20), 0.25 + of_taxon[animal % taxa] + draws.normal(0, 0.02)
        for instar in range(k):
            value = 20 * np.exp(size - 0.05 + error * draws.normal())
            rows.append((animal, instar, max(1, round(value / step)) * step if step else value))
            size += ratio + process * draws.normal()
        truth.append((ratio, size))
    return rows, np.array(truth), [[], [animal % taxa for animal in range(n)], [], list(range(n))]


def test_laws_units_names_and_order():
    rows, _, groups = simulated(n=12)
    fit = fitted(growth_data(rows, groups, step=5.0))
    # Other names of the groups, animals the other way round: the same sums in another order; expectation propagation stops at 1e-4 sd.
    turned = [(11 - animal, instar, value) for animal, instar, value in rows]
    turned.sort(key=lambda row: row[:2])
    other = fitted(growth_data(turned, [[], [7 - code for code in groups[1][::-1]], [], list(range(12))], step=5.0))
    for animal in range(12):
        assert next_size(other, 11 - animal) == pytest.approx(next_size(fit, animal), abs=1e-5)
    # mm or inches: the same multiple of the reference.
    inches = fitted(growth_data([(a, k, value / 25.4) for a, k, value in rows], groups, step=5.0 / 25.4, reference=20 / 25.4))
    for animal in range(12):
        assert next_size(inches, animal) == pytest.approx(next_size(fit, animal), abs=1e-9)


def test_threads_do_not_matter():
    rows, _, groups = simulated(n=40)
    one, two = (fitted(growth_data(rows, groups, step=5.0), threads=threads) for threads in (1, 2))
    assert [next_size(one, animal) for animal in range(40)] == [next_size(two, animal) for animal in range(40)]


def test_ratio_is_recovered_and_rounding_counts():
    # 12 tables of 24 animals: the mean of (posterior mean - truth) / posterior sd over tables has an sd of about 1 / sqrt(12).
    deviations, widths = [], {True: [], False: []}
    for seed in range(12):
        rows, truth, groups = simulated(seed, taxa=1)
        for interval in (True, False):
            fit = fitted(growth_data(rows, groups, step=5.0 if interval else None))
            spreads = dict(zip(fit.spread_names, fit.spreads, strict=True))
            widths[interval].append(spreads["reading_sd.leg_span"].mean)
            if interval:
                deviations.append((fit.log_ratio.mean - truth[:, 0].mean()) / fit.log_ratio.sd)
    assert abs(np.mean(deviations)) < 3 / np.sqrt(12)
    # True error of a reading .06: right with the interval, too large where a rounded value is taken at its word.
    assert np.mean(widths[True]) == pytest.approx(0.06, abs=0.006)
    assert np.mean(widths[False]) > 0.075


def test_declining_ratio_is_found():
    draws = np.random.default_rng(5)
    for decline, used in ((-0.08, "declining"), (0.0, "constant")):
        rows = []
        for animal in range(60):
            size = np.log(draws.uniform(5, 15) / 20)
            for instar in range(8):
                rows.append((animal, instar, 20 * np.exp(size - 0.05 + 0.03 * draws.normal())))
                size += 0.25 + decline * size + 0.03 * draws.normal()
        fit = fitted(growth_data(rows), form="weighed")
        assert fit.form.name == used
        if used == "declining":
            assert fit.declining_weight > 0.99
            assert abs(fit.decline.mean - decline) < 3 * fit.decline.sd
            assert abs(fit.log_ratio.mean - 0.25) < 3 * fit.log_ratio.sd


def test_faults_name_the_reading():
    data = growth_data([(0, 0, 10.0), (0, 1, 13.0)])
    data.readings = [_core.GrowthReading(0, 5, 0, 0.0)]
    with pytest.raises(ValueError, match="reading 0 is of an instar"):
        fitted(data)
    with pytest.raises(ValueError, match="prior of nonsense"):
        fitted(growth_data([(0, 0, 10.0), (0, 1, 13.0)]), priors=[("nonsense", _core.Prior(_core.Prior.Kind.normal, 0.0, 1.0))])
    few = fitted(growth_data([(0, 0, 10.0), (0, 1, 13.0)]))
    assert any(note.topic == "growth_steps" for note in few.health)
