"""Is the demo collection's backtest unlucky, or are bands of such records too narrow? The same invented lives, written down with the same
mess, under other seeds; a backtest of each.

    python benchmarks/demo_seeds.py [collections, default 20] [origins, default 3] [option=value of fit ...]

Prints the share of the truth inside the bands with standard errors clustered by collection, with and without L5, whose molt nobody
writes down. Rows written by hand keep their dates under every seed, so that some contradict the dice: an
animal with a fault is set aside, as always.
"""

import sys
import tempfile
from pathlib import Path

import moltspan
from moltspan.stadia.score import clustered_mean

sys.path.insert(0, str(Path(__file__).parents[1] / "demo"))
import make_collection  # noqa: E402

LEVELS = (50, 80, 95)


def cases_of(seed, origins, options):
    make_collection.SEED = seed
    with tempfile.TemporaryDirectory() as folder:
        make_collection.main(Path(folder))
        return moltspan.backtest(moltspan.read(folder), origins=origins, threads=1, **options).cases.assign(seed=seed)


def line(name, cases):
    clusters = [str(seed) for seed in cases["seed"]]
    cells = [clustered_mean((100 * cases[f"covered_{level}"]).tolist(), clusters) for level in LEVELS]
    below = clustered_mean((50 * (cases["pit_low"] + cases["pit_high"])).tolist(), clusters)
    cells = " | ".join(f"{cell.mean:.1f} ± {cell.clustered_standard_error:.1f}" for cell in [*cells, below])
    return f"| {name} | {len(cases)} | {cells} |"


def main(n, origins, options):
    import pandas

    cases = pandas.concat([cases_of(seed, origins, options) for seed in range(1, n + 1)])
    print("| animals | forecasts | in 50 % | in 80 % | in 95 % | mean PIT, % |\n|---|---|---|---|---|---|")
    print(line("all", cases))
    print(line("without L5", cases[cases["animal"] != "L5"]))
    for low, high in ((0, 0), (1, 2), (3, 5), (6, 99)):
        some = cases[cases["own_stadia"].between(low, high) & (cases["animal"] != "L5")]
        if len(some):
            print(line(f"without L5, {low} to {high} own stadia", some))
    for taxon, some in cases[cases["animal"] != "L5"].groupby("taxon"):
        print(line(taxon, some))


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    settings = dict(word.split("=", 1) for word in sys.argv[1:] if "=" in word)
    settings = {name: value == "True" if value in ("True", "False") else value for name, value in settings.items()}
    main(*(numbers + [20, 3][len(numbers):]), settings)
