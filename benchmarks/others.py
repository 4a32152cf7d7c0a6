"""Do bands hold on records that our own simulator did not write? A second simulator and the open data sets, beside plain rules.

    python benchmarks/others.py [--scenario NAME ...] [--collections N, default 10] [--held-out] [--fit NAME=VALUE ...]
    python benchmarks/others.py --real

A scenario's settings are drawn by a seed: 0, 2, 4, ... to develop on; 1, 3, 5, ... are held out (`--held-out`), to be looked at once. How lives
and records come about: `others_lives.py`, `others_scenarios.py`; how they are scored: `others_scores.py`. `--fit` passes options on to
`moltspan.fit`, as in `--fit family=weibull --fit mix_families=False`. Standard errors are clustered by collection (open data: by animal).
"""

import argparse
import ast

import pandas as pd
from others_scenarios import SCENARIOS, draw
from others_scores import study_cases
from others_tables import HEAD, line_of, markdown


def value_of(text):
    """A Python literal where it is one, else the text."""
    try:
        return ast.literal_eval(text)
    except (ValueError, SyntaxError):
        return text


def seeds_of(n, held_out):
    return range(int(held_out), 2 * n + int(held_out), 2)


def scenario_cases(name, seeds, options=None):
    """A frame of all cases of a scenario; `collection` is the seed."""
    rows = [{"collection": seed, **row} for seed in seeds for row in study_cases(draw(name, seed), options)]
    return pd.DataFrame(rows)


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS), help="one of them (may be repeated); default: all")
    parser.add_argument("--collections", type=int, default=10)
    parser.add_argument("--held-out", action="store_true", help="the seeds that were set aside")
    parser.add_argument("--fit", action="append", default=[], metavar="NAME=VALUE", help="options of moltspan.fit")
    return parser.parse_args()


def main():
    given = arguments()
    options = {name: value_of(value) for name, value in (text.split("=", 1) for text in given.fit)}
    print(markdown(HEAD, []), flush=True)
    for name in given.scenario or SCENARIOS:
        cases = scenario_cases(name, seeds_of(given.collections, given.held_out), options)
        print("| " + " | ".join(line_of(name, cases)) + " |", flush=True)


if __name__ == "__main__":
    main()
