"""Interval-censored tables of the crickets, as `SOURCE.md` of the open data set `gryllodes-tpc` defines them.

    python3 cricket_tables.py FOLDER      writes instar_4.csv, instar_7.csv, last_stage.csv into FOLDER

`instar_k`: the age in days at which instar k was reached lies in (t_lo, t_hi]: from the check before the first one with instar >= k
to that check. Instar 4: all temperatures; instar 7: 24 C and more, as none reached it below. Blank t_lo: that earlier check was at age 0
or is missing. Blank t_hi: never seen at >= k, t_lo = age at the last check; crickets whose only check was at age 0 are left out.
`last_stage`: days from subadult to adult, t_lo = t_hi when both dates are known, blank t_hi = censored at the end of the record. The
counts of SOURCE.md are checked on every run.
"""

import csv
import sys
from pathlib import Path

from crickets import animal_id, day_of, read_checks, read_survival

# n, right-censored, without lower bound: the figures of SOURCE.md; events of the last stage.
COUNTS = {"instar_4": (218, 41, 20), "instar_7": (172, 29, None), "last_stage": (145, 4, None)}


def age_bounds(checks, hatched, k):
    """(t_lo, t_hi) with None for a missing one, or None for a cricket that tells nothing."""
    ages = [(check.day - hatched).days for check in checks]
    reached = next((i for i, check in enumerate(checks) if check.instar >= k), None)
    if reached is None:
        return (ages[-1], None) if ages and ages[-1] > 0 else None
    before = ages[reached - 1] if reached > 0 else 0
    return before or None, ages[reached]


def instar_table(k, temperatures):
    checks, rows = read_checks(), []
    for key, row in read_survival().items():
        if int(row["temperature"]) not in temperatures:
            continue
        seen = [check for check in checks.get(key, []) if temperatures[0] <= check.temperature_c <= temperatures[-1]]
        bounds = age_bounds(seen, day_of(row["date_start"]), k)
        if bounds:
            rows.append((animal_id(row), row["temperature"], *bounds))
    return rows


def last_stage_table():
    rows = []
    for row in read_survival().values():
        subadult, adult, end = (day_of(row[name]) for name in ("date_subadult", "date_adult", "date_end"))
        if subadult is None or int(row["temperature"]) < 24:
            continue
        days = ((adult or end) - subadult).days
        rows.append((animal_id(row), row["temperature"], days, days if adult else None))
    return rows


def check_counts(name, rows):
    n, right, no_lower = COUNTS[name]
    found = len(rows), sum(row[3] is None for row in rows), sum(row[2] is None for row in rows)
    if found[:2] != (n, right) or (no_lower is not None and found[2] != no_lower):
        raise SystemExit(f"{name}: n, right-censored, no lower bound are {found}, SOURCE.md says {COUNTS[name]}")


def write(folder, name, rows):
    with open(folder / f"{name}.csv", "w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["animal", "temperature_c", "t_lo", "t_hi"])
        writer.writerows(["" if cell is None else cell for cell in row] for row in rows)


def tables():
    """Name -> rows (animal, temperature_c, t_lo, t_hi), None where blank."""
    every = range(20, 40, 2)
    found = {"instar_4": instar_table(4, every), "instar_7": instar_table(7, every[2:]), "last_stage": last_stage_table()}
    for name, rows in found.items():
        check_counts(name, rows)
    return found


def main(folder):
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables().items():
        write(folder, name, rows)
        print(f"{name}: {len(rows)} rows, {sum(row[3] is None for row in rows)} right-censored")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit("usage: cricket_tables.py FOLDER")
    main(Path(sys.argv[1]))
