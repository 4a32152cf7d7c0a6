"""Speed of trajectory draws beside vectorized numpy: python benchmarks/trajectory.py [animals] [draws] [threads]

Both draw the same output from the same posterior: dates and sizes of 5 molts. numpy is given the inputs for nothing: by animal a table of the
law of the first molt, the points' moments, and the share of every point; it then takes standard normals, one point and one predictor a draw, and
cumulative sums over the molts, in blocks that fit the cache. Times are wall clock and processor time of one run of each, in turn, best of 3;
numpy runs on one thread, and on `threads` threads (it frees the lock) where more than one is asked for. Invented records.
"""

import sys
import threading
import time

import numpy as np

import moltspan
from moltspan import _core

MOLTS = 5


def numpy_draws(animals, draws, law, point, threads):
    """Dates and sizes, animals x draws x molts."""
    dates, sizes = np.empty((animals, draws, MOLTS)), np.empty((animals, draws, MOLTS))
    z_grid, days = law
    means, variances, sigmas, shares = point

    def work(first, last, seed):
        random = np.random.Generator(np.random.SFC64(seed))
        for a in range(first, last):
            day = np.interp(random.standard_normal(draws), z_grid, days)
            k = np.searchsorted(shares, random.random(draws))
            m, v, s = means[k], variances[k], sigmas[k]
            gain = v / (v + s * s)
            eta = m + gain * (np.log(day + 20) - m) + np.sqrt(gain) * s * random.standard_normal(draws)
            x0 = np.log(1.5) + 0.06 * random.standard_normal(draws)
            exponent = 0.7 + 0.02 * random.standard_normal(draws)
            steps = random.standard_normal((draws, MOLTS))
            steps *= 0.1
            steps += np.log(1.3)
            x = x0[:, None] + np.cumsum(steps, axis=1)
            lengths = random.standard_normal((draws, MOLTS - 1))
            lengths *= s[:, None]
            lengths += eta[:, None] + exponent[:, None] * (x[:, :-1] - x0[:, None])
            dates[a, :, 0] = day
            dates[a, :, 1:] = day[:, None] + np.cumsum(np.exp(lengths), axis=1)
            np.multiply(np.exp(x), 20, out=sizes[a])

    bounds = np.linspace(0, animals, threads + 1).astype(int)
    workers = [threading.Thread(target=work, args=(bounds[i], bounds[i + 1], i)) for i in range(threads)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    return dates, sizes


def timed(call):
    wall, used = time.perf_counter(), time.process_time()
    result = call()
    return time.perf_counter() - wall, time.process_time() - used, result


def main(animals=1000, draws=10000, threads=2):
    collection, _ = moltspan.simulate_collection(seed=5, n_animals=animals)
    fit = moltspan.fit(collection)
    options = _core.TrajectoryOptions()
    options.molts, options.draws, options.threads = MOLTS, draws, threads
    ids = [a for a, one in enumerate(moltspan.forecast_document(fit)["animals"]) if one["next_molt"]]
    law = (np.linspace(-6, 6, 257), 40 * np.exp(0.3 * np.linspace(-6, 6, 257)))
    points = 64
    point = (4 + 0.05 * np.linspace(-1, 1, points), np.full(points, 0.02), np.full(points, 0.15), np.linspace(1 / points, 1, points))
    best = {}
    for _ in range(3):
        for name, call in (("moltspan", lambda: _core.draw_trajectories(fit._core, ids, options)),
                           ("numpy, 1 thread", lambda: numpy_draws(len(ids), draws, law, point, 1)),
                           (f"numpy, {threads} threads", lambda: numpy_draws(len(ids), draws, law, point, threads))):
            wall, used, result = timed(call)
            del result
            old = best.get(name, (np.inf, np.inf))
            best[name] = (min(old[0], wall), min(old[1], used))
    print(f"{len(ids)} animals x {draws} draws x {MOLTS} molts, {threads} threads; invented records")
    own = best["moltspan"]
    for name, (wall, used) in best.items():
        print(f"{name:18} {wall:7.2f} s wall ({wall / own[0]:.1f} x)  {used:7.2f} s processor ({used / own[1]:.1f} x)")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
