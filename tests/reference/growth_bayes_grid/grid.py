"""Posteriors of the mixed model of growth of two balanced tables on dense grids of the four spreads (numpy alone).

    python grid.py        (some 20 s; writes few.csv and answers.json)

All animals are read at the same instars, so that given the spreads all is in the least-squares lines of the animals: their mean, their scatter
S ~ Wishart(n - 1, Psi + sigma^2 (X'X)^-1) and the residual sum of squares. Coefficients have a flat prior; the library's own adds less than
.5 % to their precision. `few` is one of those tables of which few points of a lattice about the mode say anything: sigma and the spread
between animals stand for each other.
"""

import csv
import json
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
POINTS = 52


def few():
    """Invented records: 5 animals, 4 instars."""
    rng = np.random.default_rng([7, 0])
    intercept, slope = rng.normal(0, 0.03, 5), rng.normal(0, 0.01, 5)
    animal, instar = np.repeat(np.arange(5), 4), np.tile(np.arange(1.0, 5), 5)
    size = np.exp(2 + 0.25 * instar + intercept[animal] + slope[animal] * (instar - 2.5) + rng.normal(0, 0.05, 20))
    with open(HERE / "few.csv", "w") as file:
        file.write("animal,instar,leg_span_mm\n" + "".join(f"{a},{k:g},{s:.6f}\n" for a, k, s in zip(animal, instar, size, strict=True)))
    rows = list(csv.DictReader(open(HERE / "few.csv")))
    return np.log([float(row["leg_span_mm"]) for row in rows]).reshape(5, 4), np.arange(1.0, 5)


def orthodont():
    rows = list(csv.DictReader(open(HERE.parent / "published_lmm" / "orthodont.csv")))
    ages = sorted({float(row["age"]) for row in rows})
    subjects = sorted({row["Subject"] for row in rows})
    found = {(row["Subject"], float(row["age"])): float(row["distance"]) for row in rows}
    return np.array([[found[subject, age] for age in ages] for subject in subjects]), np.array(ages)


def posterior(y, times, scales, ranges):
    """Means and sds; half-normal priors of sigma and the two sds with `scales`, a uniform correlation."""
    animals, points = y.shape
    x = np.column_stack([np.ones(points), times])
    c = np.linalg.inv(x.T @ x)
    lines = y @ x @ c
    rest = ((y - lines @ x.T) ** 2).sum()
    away = lines - lines.mean(0)
    scatter = away.T @ away
    axes = [np.exp(np.linspace(*np.log(ends), POINTS)) for ends in ranges] + [np.tanh(np.linspace(-3.5, 3.5, POINTS))]
    sigma, s0, s1, r = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    v00, v11, v01 = s0**2 + sigma**2 * c[0, 0], s1**2 + sigma**2 * c[1, 1], r * s0 * s1 + sigma**2 * c[0, 1]
    det = v00 * v11 - v01**2
    log_density = -0.5 * (animals - 1) * np.log(det) - 0.5 * (v11 * scatter[0, 0] - 2 * v01 * scatter[0, 1] + v00 * scatter[1, 1]) / det
    log_density -= animals * (points - 2) * np.log(sigma) + 0.5 * rest / sigma**2
    log_density += np.log1p(-r * r) + sum(np.log(sd) - 0.5 * (sd / scale) ** 2 for sd, scale in zip((sigma, s0, s1), scales, strict=True))
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    result = {}
    for name, value in {"sigma": sigma, "animal_sd[Intercept]": s0, "animal_sd[slope]": s1, "animal_correlation": r}.items():
        mean = weight @ value
        result[name] = {"mean": mean, "sd": np.sqrt(weight @ (value - mean) ** 2)}
    for name, variance, mean in (("Intercept", v00, lines.mean(0)[0]), ("slope", v11, lines.mean(0)[1])):
        result[name] = {"mean": mean, "sd": np.sqrt(weight @ variance / animals)}
    return result


def main():
    y, ages = orthodont()
    sd = 2 * y.std()
    answers = {"few": posterior(*few(), (0.2, 0.5, 0.06), ((0.008, 0.2), (1e-3, 1.5), (2e-4, 0.3))),
               "orthodont": posterior(y, ages, (sd, sd, sd / np.tile(ages, len(y)).std()), ((0.8, 2.2), (0.05, 9), (0.004, 0.9)))}
    (HERE / "answers.json").write_text(json.dumps(answers, indent=1) + "\n")


if __name__ == "__main__":
    main()
