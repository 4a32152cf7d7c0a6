"""Size of the tests of group comparisons: how often p <= .05 where nothing differs. Run: nice python3 benchmarks/group_tests.py [REPLICATES]

Stadia of animals in cohorts, cohorts in two or three groups that are alike: log T = 4 + u_cohort + u_animal + .15 W, sd .10 each, four stadia
animal of which the last may be running. Printed: share of p <= .05 by F and by chi-square, of max-t and Holm over all pairs, and how often the 95 %
interval of a ratio misses 1.
"""

import sys

import numpy as np
import pandas

import moltspan

CASES = {"2 groups, 6 animals each": (2, 0, 6), "2 groups, 20 animals each": (2, 0, 20), "3 groups, 10 animals each": (3, 0, 10),
         "2 groups of 5 cohorts of 3": (2, 5, 3), "2 groups of 5 cohorts of 3, cohorts ignored": (2, -5, 3)}


def sample(rng, groups, cohorts, animals):
    rows = []
    for group in range(groups):
        for cohort in range(max(abs(cohorts), 1)):
            from_cohort = rng.normal(0, 0.1) if cohorts else 0.0
            for animal in range(animals):
                own = from_cohort + rng.normal(0, 0.1)
                days = np.exp(4 + own + rng.normal(0, 0.15, 4))
                ends = days.copy()
                if rng.random() < 0.5:
                    days[-1], ends[-1] = days[-1] * rng.random(), np.nan
                rows += [(f"g{group}", f"{group}.{cohort}", f"{group}.{cohort}.{animal}", low, high)
                         for low, high in zip(days, ends, strict=True)]
    return pandas.DataFrame(rows, columns=["group", "cohort", "animal", "min_days", "max_days"])


def main(replicates):
    print(f"{replicates} replicates; standard error of .05: {np.sqrt(0.05 * 0.95 / replicates):.3f}")
    print(f"{'case':45} {'F':>6} {'chi2':>6} {'misses':>7} {'max-t':>6} {'Holm':>6}")
    for number, (name, (groups, cohorts, animals)) in enumerate(CASES.items()):
        rng, found = np.random.default_rng([7, number]), []
        for _ in range(replicates):
            table = sample(rng, groups, cohorts, animals)
            effect = moltspan.stadium_effects(table, "group", animal="animal", cohort="cohort" if cohorts > 0 else None, threads=1)
            outside = np.mean((effect["lower"] > 1) | (effect["upper"] < 1))
            family = [effect[name].min() if name in effect.columns else np.nan for name in ("p_max_t", "p_holm")]
            found.append([effect.p_value <= 0.05, effect.p_chi_square <= 0.05, outside, *[p <= 0.05 if p == p else np.nan for p in family]])
        print(f"{name:45} " + " ".join(f"{value:6.3f}" for value in np.mean(np.array(found, dtype=float), axis=0)), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
