"""Do sizes, first passages and "outgrown by" hold for animals whose growth ends? Lives drawn by rules that are not the model's.

    python benchmarks/grown.py [collections per setting, default 120] [--seed 90]

Four kinds of a collection have adult sizes of 70 to 200 mm, males .85 of females; each animal's own differs by 8 %. Three rules of growth, a third of the collections each:
  bertalanffy   a molt adds a share of what is lacking to the own adult size, at most 38 % of the size
  instars       ratios of a published table by instar (wolf spider Aglaoctenus lagotis, Moreira & Del-Claro 2011: 1.57, 1.39, 1.30, 1.14, 1.24, 1.22, 1.15,
                1.10), then 1.05 and 1.02, set so that the end is the own adult size
  late          the ratio stays at 1.28 until 80 % of the own adult size; then 1.06, and 1.00
Each molt's ratio - 1 varies by 12 %. Males molt no more once over 88 % of their own adult size. Stadia: log-normal (sd .2), exponent .5 of size, pace of the
kind and of the animal. 10 to 30 animals, from sling to grown, are watched daily for 700 days; leg spans are read with an error of 6 %, 5 % low, to 5 mm. Adult
sizes are stated (the kind's, wrong by 12 %) or not. Scored against what the lives went on to do: leg span after the 1st, 2nd and 4th molt, the day of 1.2 and 1.6
times the size, "outgrown by" in a box of 2.5 to 4.5 times the leg span; never = likelier than not within no molt of its life. In percent, standard errors clustered by
collection; `never`: mean chance stated, and how often it came to that.
"""

import argparse
from datetime import date, timedelta
from functools import partial
from multiprocessing import Pool

import numpy as np
import pandas as pd
from bands import share

import moltspan

FIRST, KNOWN_DAYS = date(2022, 1, 8), 700
PUBLISHED = [1.565, 1.392, 1.304, 1.136, 1.235, 1.223, 1.149, 1.101, 1.05, 1.02]
RULES = ("bertalanffy", "instars", "late")
BANDS = {"50": (0.25, 0.75), "80": (0.1, 0.9), "95": (0.025, 0.975)}
LIFE_MOLTS = 40


def ratios(rule, draws, adult, size):
    """Sizes of a life from a hatchling on, before errors of single molts: a function size, molt -> ratio."""
    if rule == "bertalanffy":
        return lambda now, molt: 1 + min(0.38, 0.22 * max(0.0, adult / now - 1))
    if rule == "instars":
        return lambda now, molt: 1 + (PUBLISHED[molt] - 1 if molt < len(PUBLISHED) else 0) if now < 1.1 * adult else 1.0
    return lambda now, molt: 1.28 if now < 0.8 * adult else 1.06 if now < adult else 1.0


def life_of(rule, draws, adult, male, pace):
    """Days and sizes of the molts of one life; a male's ends with the molt that makes him mature."""
    size = adult / np.prod(PUBLISHED) if rule == "instars" else 5 * np.exp(0.2 * draws.standard_normal())
    grow, day, days, sizes = ratios(rule, draws, adult, size), 0.0, [0.0], [size]
    for molt in range(LIFE_MOLTS):
        if male and size >= 0.88 * adult:
            break
        day += np.exp(pace + 0.5 * np.log(size / 20) + 0.2 * draws.standard_normal())
        size *= 1 + (grow(size, molt) - 1) * np.exp(0.12 * draws.standard_normal())
        days.append(day)
        sizes.append(size)
    return np.array(days), np.array(sizes)


def read_mm(draws, size):
    return max(5.0, 5 * round(0.95 * size * np.exp(0.06 * draws.standard_normal()) / 5))


def collection_of(replicate, seed, stated):
    draws = np.random.default_rng([seed, replicate])
    rule, n = RULES[replicate % 3], int(draws.integers(10, 31))
    kinds = [{"adult": float(np.exp(draws.uniform(np.log(70), np.log(200)))), "pace": 4.5 + 0.2 * draws.standard_normal()} for _ in range(4)]
    animals, journal, lives = [], [], {}
    for i in range(n):
        kind = int(draws.integers(4))
        male = draws.random() < 0.4
        adult = kinds[kind]["adult"] * (0.85 if male else 1.0) * np.exp(0.08 * draws.standard_normal())
        days, sizes = life_of(rule, draws, adult, male, kinds[kind]["pace"] + 0.15 * draws.standard_normal())
        grown = days[np.flatnonzero(sizes > 0.95 * sizes.max())[0]]  # most come before they are grown
        came = draws.uniform(0, max(min(grown, days[-1] - 200), 1)) if draws.random() < 0.8 else draws.uniform(0, min(grown + 1000, days[-1]))
        entry = draws.uniform(0, 300)
        days = days - came + entry
        name = f"A{i}"
        sex = ("male" if male else "female") if draws.random() < 0.6 else "unknown"
        row = {"animal": name, "taxon": f"Genus{kind % 2} kind{kind}", "sex": sex, "acquired": FIRST + timedelta(int(entry)),
               "after_maturity_male": "stops", "after_maturity_female": "goes_on"}
        if stated:
            row["adult_leg_span_mm"] = round(kinds[kind]["adult"] * np.exp(0.12 * np.random.default_rng([seed, replicate, kind]).standard_normal()))
        animals.append(row)
        now = int(np.searchsorted(days, entry, side="right")) - 1
        for k in range(now, len(days)):
            if days[k] > KNOWN_DAYS:
                break
            day = FIRST + timedelta(int(max(days[k], entry)))
            if days[k] > entry:
                journal.append((name, day, "molt", ""))
            if draws.random() < 0.9:
                journal.append((name, day + timedelta(1), "leg_span", read_mm(draws, sizes[k])))
        last = int(np.searchsorted(days, KNOWN_DAYS, side="right")) - 1
        side = round(draws.uniform(2.5, 4.5) * sizes[last])
        journal.append((name, FIRST + timedelta(KNOWN_DAYS), "enclosure", f"{side}x{side}x{side}"))
        journal.append((name, FIRST + timedelta(KNOWN_DAYS), "checked", ""))
        lives[name] = (days[last + 1:] - KNOWN_DAYS, sizes[last + 1:], sizes[last], side)
    journal = [(a, d, e, "" if v == "" else v if e == "enclosure" else f"{v:g}", "mm" if e in ("leg_span", "enclosure") else "")
               for a, d, e, v in journal if d <= FIRST + timedelta(KNOWN_DAYS)]
    records = moltspan.Collection(pd.DataFrame(animals).astype(str), pd.DataFrame(journal, columns=["animal", "date", "event", "value", "unit"]).astype(str))
    return records, lives


def rank(draws, truth, place=0.5):
    """Share of the draws below the truth; among those that are never, like it, a random place."""
    return float(np.mean(draws < truth) + (place * np.mean(np.isinf(draws)) if np.isinf(truth) else 0))


def passage(days, sizes, target):
    there = np.flatnonzero(sizes >= target)
    return days[there[0]] if len(there) else np.inf


def course_rows(key, course, days, sizes, random):
    dates, spans = np.asarray(course.dates_days), np.asarray(course.leg_span_mm)
    rows = []
    for k in (1, 2, 4):
        if len(sizes) >= k:
            drawn = spans[:, k - 1]
            rows.append((*key, f"size after molt {k}", rank(drawn[np.isfinite(drawn)], sizes[k - 1]), np.nan, np.nan))
    now = float(np.median(course.start_leg_span_mm))
    for factor in (1.2, 1.6):
        found, truth = course.first_passage(factor * now), passage(days, sizes, factor * now)
        rows.append((*key, f"day of {factor:g} times the size", rank(np.asarray(found["days"]), truth, random.random()), found["chance_never"], float(np.isinf(truth))))
    return rows


def outgrown_row(key, advice, days, sizes, side, random):
    """The rank between the dates of the bands; of what is never outgrown a random place in the chance of that."""
    outgrown = advice["outgrown"]
    if outgrown["chance_never"] is None or outgrown["chance_next_molt"] in (None, 1) or not outgrown["bands"]:
        return []
    truth, never = passage(days, sizes, side / 2), outgrown["chance_never"]
    known = [(0.5, outgrown["median"])] + [(0.5 * (1 + sign * band["level"]), band[end]) for band in outgrown["bands"] for sign, end in ((-1, "from"), (1, "to"))]
    known = sorted((p, (date.fromisoformat(text) - FIRST).days - KNOWN_DAYS + 0.5) for p, text in known if text)
    chances = [0, *(p for p, _ in known), 1 - never]
    place = 1 - never * random.random() if np.isinf(truth) else np.interp(truth, [0, *(d for _, d in known), max([d for _, d in known] + [0]) + 3000], chances)
    return [(*key, "outgrown by", float(place), never, float(np.isinf(truth)))]


def one_collection(replicate, seed, stated):
    records, lives = collection_of(replicate, seed, stated)
    fit = moltspan.fit(records, threads=1)
    rows, key, random = [], (replicate, RULES[replicate % 3]), np.random.default_rng(replicate)
    for course in fit.trajectories(molts=12, draws=1000, seed=1, threads=1):
        days, sizes, _, _ = lives[course.animal]
        if len(days):  # courses are given that it molts again
            rows += course_rows(key, course, days, sizes, random)
    for advice in fit.rehouse().document["animals"]:
        days, sizes, _, side = lives[advice["animal"]]
        rows += outgrown_row(key, advice, days, sizes, side, random)
    return rows


def frame_of(rows):
    frame = pd.DataFrame(rows, columns=["collection", "rule", "of", "rank", "never", "came"])
    for name, (low, high) in BANDS.items():
        frame[name] = ((frame["rank"] > low) & (frame["rank"] < high)).astype(float)
    frame["below"] = (frame["rank"] < 0.5).astype(float)
    return frame


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("collections", type=int, nargs="?", default=120)
    parser.add_argument("--seed", type=int, default=90)
    parser.add_argument("--by-rule", action="store_true")
    given = parser.parse_args()
    print("| adult sizes | of | cases | in 50 % | in 80 % | in 95 % | below median | never, stated | never, came |\n|---|---|---|---|---|---|---|---|---|")
    for stated in (True, False):
        with Pool(2) as pool:
            rows = [row for part in pool.imap(partial(one_collection, seed=given.seed, stated=stated), range(given.collections), chunksize=4) for row in part]
        frame = frame_of(rows)
        for what, part in frame.groupby(["of", "rule"] if given.by_rule else "of", sort=False):
            chances = "-" if part.never.isna().all() else f"{100 * part.never.mean():.1f}", "-" if part.came.isna().all() else f"{100 * part.came.mean():.1f}"
            print(f"| {'stated' if stated else 'not stated'} | {what if isinstance(what, str) else ', '.join(what)} | {len(part)} | "
                  + " | ".join(share(part[column], part.collection) for column in [*BANDS, "below"]) + f" | {chances[0]} | {chances[1]} |", flush=True)


if __name__ == "__main__":
    main()
