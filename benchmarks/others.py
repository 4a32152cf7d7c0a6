"""Do bands hold on records that our own simulator did not write? A second simulator and the open data sets, beside plain rules.

    python benchmarks/others.py [--scenario NAME ...] [--collections N, default 10] [--held-out] [--fit NAME=VALUE ...]
    python benchmarks/others.py --real
    python benchmarks/others.py ... --save before.csv        then, after a change:        python benchmarks/others.py ... --beside before.csv

A scenario's settings are drawn by a seed: 0, 2, 4, ... to develop on; 1, 3, 5, ... are held out (`--held-out`), to be looked at once. How lives
and records come about: `others_lives.py`, `others_scenarios.py`; how they are scored: `others_scores.py`. `--fit` passes options on to
`moltspan.fit`, as in `--fit family=weibull --fit mix_families=False`. Standard errors are clustered by collection, with fewer than five of them by
animal. The column "beside" is what the CRPS was on the very same cases of the saved run, and what was gained since, paired.
"""

import argparse
import ast
from functools import partial
from multiprocessing import Pool

import pandas as pd
from others_real import real_cases, sets
from others_scenarios import SCENARIOS, draw
from others_scores import study_cases
from others_sizes import size_cases
from others_tables import CLASS_HEAD, HEAD, SIZE_HEAD, class_lines, gained, line_of, markdown, size_lines


def value_of(text):
    """A Python literal where it is one, else the text."""
    try:
        return ast.literal_eval(text)
    except (ValueError, SyntaxError):
        return text


def seeds_of(n, held_out):
    return range(int(held_out), 2 * n + int(held_out), 2)


def one_study(seed, name, options):
    """Rows of next molts and, where the scenario asks for them, of sizes."""
    study = draw(name, seed)
    sizes = size_cases(study, options) if study.sizes else []
    return [[{"records": name, "collection": seed, **row} for row in rows] for rows in (study_cases(study, options), sizes)]


def scenario_cases(name, seeds, options=None, jobs=1):
    """Two frames: all cases of a scenario, and those of sizes to come; `collection` is the seed."""
    with Pool(jobs) as pool:
        parts = pool.map(partial(one_study, name=name, options=options or {}), list(seeds), chunksize=1)
    return tuple(pd.DataFrame([row for part in parts for row in part[which]]) for which in (0, 1))


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS), help="one of them (may be repeated); default: all")
    parser.add_argument("--collections", type=int, default=10)
    parser.add_argument("--held-out", action="store_true", help="the seeds that were set aside")
    parser.add_argument("--real", action="store_true", help="the open data sets in place of the scenarios")
    parser.add_argument("--fit", action="append", default=[], metavar="NAME=VALUE", help="options of moltspan.fit")
    parser.add_argument("--classes", action="store_true", help="a table by month of the forecast, instar and kind as well")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--save", metavar="FILE", help="write all cases as CSV")
    parser.add_argument("--beside", metavar="FILE", help="cases of an earlier run, to compare with")
    return parser.parse_args()


def frames(given, options):
    """(name, cases, cases of sizes) of all that was asked for."""
    if given.real:
        for name, one in sets().items():
            yield name, real_cases(name, *one, options).assign(records=name), pd.DataFrame()
        return
    for name in given.scenario or SCENARIOS:
        yield name, *scenario_cases(name, seeds_of(given.collections, given.held_out), options, given.jobs)


def main():
    given = arguments()
    options = {name: value_of(value) for name, value in (text.split("=", 1) for text in given.fit)}
    before = pd.read_csv(given.beside) if given.beside else None
    print(markdown([*HEAD, *(["beside"] if given.beside else [])], []), flush=True)
    kept, sizes = [], []
    for name, cases, more in frames(given, options):
        cells = [*line_of(name, cases), *([gained(cases, before)] if given.beside else [])]
        print("| " + " | ".join(cells) + " |", flush=True)
        kept, sizes = [*kept, cases], [*sizes, more]
    if any(len(more) for more in sizes):
        print("\n" + markdown(SIZE_HEAD, size_lines(pd.concat(sizes))))
    if given.classes:
        print("\n" + markdown(CLASS_HEAD, [line for cases in kept for line in class_lines(cases.records.iloc[0], cases)]))
    if given.save:
        pd.concat(kept).to_csv(given.save, index=False)


if __name__ == "__main__":
    main()
