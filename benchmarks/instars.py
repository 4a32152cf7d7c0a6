"""Is the number of instars found, and is it said where it cannot be? Samples of 200 animals with known truth.

    python benchmarks/instars.py [samples, default 400] [speed]

Seven instars, the first of 2 mm. Printed for each truth: share of samples with the right number under Dyar's rule, the same for free means
(BIC both), share with a warning, and the warnings by topic. With `speed`, the time of one fit and of 999 bootstrap replicates instead.
"""

import sys
import time
from collections import Counter

import numpy as np

import moltspan

SEED, ANIMALS, INSTARS = 2026, 200, 7
ONE_RARE = [0.97 / 6] * 3 + [0.03] + [0.97 / 6] * 3
TRUTHS = {"ratio 1.25, sd .05, equal weights": (1.25, 0.05, [1] * INSTARS),
          "ratio 1.25, sd .05, weights .6^k": (1.25, 0.05, [0.6**k for k in range(INSTARS)]),
          "ratio 1.25, sd .05, one instar at 3 %": (1.25, 0.05, ONE_RARE),
          "ratio 1.20, sd .06, equal weights": (1.20, 0.06, [1] * INSTARS)}


def draw(random, ratio, sd, weights):
    instar = random.choice(INSTARS, ANIMALS, p=np.array(weights) / sum(weights))
    return 2 * ratio**instar * np.exp(sd * random.normal(size=ANIMALS))


def measure(name, truth, samples):
    random = np.random.default_rng(SEED)
    right, free_right, warned, topics = 0, 0, 0, Counter()
    for _ in range(samples):
        sizes = draw(random, *truth)
        result = moltspan.instar_mixture(sizes)
        right += result.n_instars == INSTARS
        free_right += moltspan.instar_mixture(sizes, spacing="free", max_instars=10).n_instars == INSTARS
        warned += result.health.state != "good"
        topics.update({topic for _, topic, _ in result.health.notes})
    error = 100 * np.sqrt(right / samples * (1 - right / samples) / samples)
    print(f"| {name} | {samples} | {100 * right / samples:.1f} ± {error:.1f} | {100 * free_right / samples:.1f} | {100 * warned / samples:.1f} | "
          + ", ".join(f"{topic} {100 * n / samples:.1f}" for topic, n in topics.most_common()) + " |", flush=True)


def speed():
    sizes = draw(np.random.default_rng(SEED), *TRUTHS["ratio 1.25, sd .05, equal weights"])
    result = moltspan.instar_mixture(sizes, n_instars=INSTARS)
    for name, work, times in (("one number of instars", lambda: moltspan.instar_mixture(sizes, n_instars=INSTARS), 50),
                              ("numbers 1 to 15", lambda: moltspan.instar_mixture(sizes), 5),
                              ("bootstrap, 2 tests of 999", lambda: result.bootstrap_tests(999), 1)):
        wall, cpu = [], []
        for _ in range(times):
            w, c = time.perf_counter(), time.process_time()
            work()
            wall.append(time.perf_counter() - w), cpu.append(time.process_time() - c)
        print(f"{name}: best {1e3 * min(wall):.2f} ms, median {1e3 * np.median(wall):.2f} ms; processor time {1e3 * min(cpu):.2f} ms")


if __name__ == "__main__":
    if "speed" in sys.argv:
        speed()
    else:
        for name, truth in TRUTHS.items():
            measure(name, truth, int(sys.argv[1]) if len(sys.argv) > 1 else 400)
