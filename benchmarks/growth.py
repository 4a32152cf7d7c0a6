"""Speed and coverage of the growth mixed model: python benchmarks/growth.py speed | coverage | coverage_bayes [replicates] [setting]...

speed: 100,000 animals / 1,000,000 readings, random intercept and slope, REML, beside R lme4::lmer in the same run, one thread each. Needs
Rscript with lme4 (Debian: r-base-core, r-cran-lme4).
coverage: share of simulated truths inside the 95 % intervals and bands, 5 animals x 4 readings, with small and large random effects.
coverage_bayes: the same of method="bayes" with its default priors (slope_kr repeats slope). `told`: the known animal's next reading under bands of
one who is told the spreads, which hold 95 % but for the luck of the tables drawn. Invented records.
"""

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd

import moltspan

LMER = """
suppressMessages(library(lme4))
d <- read.csv(commandArgs(TRUE)[1])
d$animal <- factor(d$animal)
used <- system.time(fit <- lmer(log(leg_span_mm) ~ instar + (1 + instar | animal), d, control = lmerControl(calc.derivs = FALSE)))
seconds <- used[["elapsed"]]
processor <- used[["user.self"]] + used[["sys.self"]]
cat(sprintf('{"seconds": %.3f, "processor": %.3f, "log_likelihood": %.10f}', seconds, processor, as.numeric(logLik(fit))))
"""

# name -> (random, sd of intercept, sd of slope); sigma .05
SETTINGS = {"intercept_small": ("1", 0.03, 0), "intercept_large": ("1", 0.2, 0),
            "slope_small": ("1 + instar", 0.03, 0.01), "slope_large": ("1 + instar", 0.2, 0.05)}
SIGMA = 0.05


def simulate(rng, animals, points, sd_intercept, sd_slope):
    """Readings at instars 1 to `points`; effects of size at the middle instar and of growth, independent."""
    intercept, slope = rng.normal(0, sd_intercept, animals), rng.normal(0, sd_slope, animals)
    animal, instar = np.repeat(np.arange(animals), points), np.tile(np.arange(1.0, points + 1), animals)

    def line(a, k):
        return 2 + 0.25 * k + intercept[a] + slope[a] * (k - 2.5)

    size = np.exp(line(animal, instar) + rng.normal(0, SIGMA, len(animal)))
    return pd.DataFrame({"animal": animal, "instar": instar, "leg_span_mm": size}), line


def speed():
    table, _ = simulate(np.random.default_rng(1), 100_000, 10, 0.2, 0.02)
    seconds, processor = [], []
    for _ in range(5):
        begin, used = time.perf_counter(), time.process_time()
        fit = moltspan.fit_growth(table, method="reml")
        seconds.append(time.perf_counter() - begin)
        processor.append(time.process_time() - used)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"fit_growth {min(seconds):.3f} s best of 5, {np.median(seconds):.3f} s median ({np.median(processor):.3f} s of processor), {fit._core.iterations} steps; "
          f"REML log-likelihood {fit.log_likelihood:.8f}; peak {peak:.0f} MiB, table included")
    with tempfile.TemporaryDirectory() as folder:
        data, script = Path(folder) / "data.csv", Path(folder) / "lmer.R"
        table.to_csv(data, index=False)
        script.write_text(LMER)
        result = json.loads(subprocess.run(["Rscript", script, data], check=True, capture_output=True, text=True).stdout)
    difference = abs(result["log_likelihood"] / fit.log_likelihood - 1)
    print(f"lmer {result['seconds']:.2f} s, {result['seconds'] / np.median(seconds):.0f} times as long; {result['processor']:.2f} s of processor, "
          f"{result['processor'] / np.median(processor):.0f} times as much; relative difference {difference:.1e}")


def told_covers(log_sizes, truth, sd_intercept, sd_slope):
    """Whether the band of animal 0 at instar 5 covers, given the true spreads; the line is estimated."""
    animals, points = log_sizes.shape
    instars = np.arange(1.0, points + 1)
    x, z = (np.column_stack([np.ones(len(k)), k - 2.5]) for k in (instars, np.array([5.0])))
    spread = np.diag([sd_intercept**2, sd_slope**2])
    inverse = np.linalg.inv(x @ spread @ x.T + SIGMA**2 * np.eye(points))
    line_variance = np.linalg.inv(animals * x.T @ inverse @ x)
    line = line_variance @ x.T @ inverse @ log_sizes.sum(0)
    pull = z @ spread @ x.T @ inverse
    of_line = z - pull @ x
    variance = z @ spread @ z.T - pull @ x @ spread @ z.T + of_line @ line_variance @ of_line.T + SIGMA**2
    return abs(truth - (z @ line + pull @ (log_sizes[0] - x @ line)).item()) < 1.959964 * np.sqrt(variance.item())


def one_replicate(seed, random, sd_intercept, sd_slope, method="reml"):
    """Whether each of slope, new animal's next reading and known animal's next reading lay inside, and log widths."""
    rng = np.random.default_rng(seed)
    table, line = simulate(rng, 5, 4, sd_intercept, sd_slope)
    fit = moltspan.fit_growth(table, random=random, method=method)
    slope = fit.interval(0.95).loc["instar"]
    kenward_roger = slope if method == "bayes" else fit.interval(0.95, degrees="kenward_roger").loc["instar"]
    rows = pd.DataFrame({"animal": [0, -1, -1], "instar": [5.0, 5.0, 2.5]})
    bands = fit.predict(rows, level=0.95)
    new = [2 + 0.25 * k + rng.normal(0, sd_intercept) + rng.normal(0, sd_slope) * (k - 2.5) for k in (5.0, 2.5)]
    truth = np.exp(np.array([line(0, 5.0), *new]) + rng.normal(0, SIGMA, 3))
    inside = (bands.new_lower <= truth) & (truth <= bands.new_upper)
    return [slope.lower <= 0.25 <= slope.upper, kenward_roger.lower <= 0.25 <= kenward_roger.upper, *inside,
            bands.mean_lower[1] <= np.exp(2 + 0.25 * 5) <= bands.mean_upper[1],
            told_covers(np.log(table.leg_span_mm.to_numpy()).reshape(5, 4), np.log(truth[0]), sd_intercept, sd_slope)]


def coverage(replicates=4000, settings=SETTINGS, method="reml"):
    names = ["slope", "slope_kr", "known", "new", "new_middle", "mean", "told"]
    for name in settings:
        hits = np.array([one_replicate([7, seed], *SETTINGS[name], method) for seed in range(replicates)], float)
        shares = hits.mean(0)
        print(name, *(f"{label} {100 * share:.2f}" for label, share in zip(names, shares, strict=True)),
              f"s.e. {100 * np.sqrt(0.95 * 0.05 / replicates):.2f}", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["speed"]:
        speed()
    elif sys.argv[1:2] in (["coverage"], ["coverage_bayes"]):
        method = "bayes" if sys.argv[1] == "coverage_bayes" else "reml"
        coverage(int(sys.argv[2]) if len(sys.argv) > 2 else 4000, sys.argv[3:] or list(SETTINGS), method)
    else:
        sys.exit(__doc__)
