"""Tables of scored cases: a line a set of records, and the worst of its classes."""

import numpy as np

BANDS = {"in 50%": 50, "in 80%": 80, "in 95%": 95}
CLASSES = ("month", "instar", "taxon")
FEW = 30  # a class with fewer cases is not shown
FACTOR = "instar as a factor"
HEAD = ("records", "cases", "in 50 %", "in 80 %", "in 95 %", "below median", "CRPS", "instar as a factor: CRPS (forecast, cases)", "in 50 / 80 / 95 %",
        "forecast saves", "own mean", "taxon's mean", "called good", "worst: below median", "worst: in 80 %")


def clusters_of(cases):
    """Collections where there are several; else animals, since the cases of one animal err together."""
    return cases.collection if cases.collection.nunique() >= 5 else cases.collection.astype(str) + cases.animal.astype(str)


def mean_and_error(values, groups):
    """Mean and its standard error, clustered."""
    mean = values.mean()
    sums = (values - mean).groupby(groups).sum()
    return mean, np.sqrt((sums**2).sum()) / len(values)


def percent(values, groups):
    mean, error = mean_and_error(values, groups)
    return f"{100 * mean:.1f} ± {100 * error:.1f}"


def saved(cases, rule):
    """1 - CRPS of the forecast over that of the rule, in percent, with its clustered error (delta method); on cases that both answer."""
    both = cases[cases[f"{rule}: crps"].notna()]
    ours, theirs = both.crps, both[f"{rule}: crps"]
    if not len(both):
        return "-"
    ratio = ours.mean() / theirs.mean()
    sums = (ours - ratio * theirs).groupby(clusters_of(both)).sum()
    return f"{100 * (1 - ratio):+.1f} ± {100 * np.sqrt((sums**2).sum()) / len(both) / theirs.mean():.1f}"


def classes(cases):
    """(name, cases) of months of the forecast, instars and kinds with cases enough."""
    found = [(key if by == "taxon" else f"{by} {key:g}", part) for by in CLASSES for key, part in cases.groupby(by)]
    return [(name, part) for name, part in found if len(part) >= FEW]


def worst(cases, column, promised):
    """The class that is farthest from what was promised: `name: percent (cases)`."""
    shares = [(part[column].mean(), name, len(part)) for name, part in classes(cases)]
    if not shares:
        return "-"
    share, name, n = max(shares, key=lambda one: abs(one[0] - promised))
    return f"{name}: {100 * share:.0f} ({n})"


CLASS_HEAD = ("records", "class", "cases", "in 50 %", "in 80 %", "in 95 %", "below median", "CRPS", "instar as a factor: CRPS (forecast, cases)")


def class_lines(name, cases):
    """A line a class."""
    return [(name, title, str(len(part)), *(percent(part[column], clusters_of(part)) for column in (*BANDS, "below")), f"{part.crps.mean():.2f}",
             rule_and_forecast(part[part[f"{FACTOR}: crps"].notna()])) for title, part in classes(cases)]


def mean_or_dash(values):
    return f"{values.mean():.2f}" if values.notna().any() else "-"


def rule_and_forecast(both):
    """CRPS of the rule by instar, and of the forecast on the same cases, those that the rule answers."""
    return f"{both[f'{FACTOR}: crps'].mean():.2f} ({both.crps.mean():.2f}, {len(both)})" if len(both) else "-"


def line_of(name, cases):
    """One row of the table: see HEAD. CRPS in days; "called good": share of the days forecast from on which the fit's health was good."""
    groups, both = clusters_of(cases), cases[cases[f"{FACTOR}: crps"].notna()]
    bands = " / ".join(f"{100 * both[f'{FACTOR}: {band}'].mean():.0f}" for band in BANDS) if len(both) else "-"
    good = cases.drop_duplicates(["collection", "origin"]).health.eq("good").mean()
    return (name, str(len(cases)), *(percent(cases[column], groups) for column in (*BANDS, "below")), f"{cases.crps.mean():.2f}",
            rule_and_forecast(both), bands, saved(cases, FACTOR), mean_or_dash(cases["own mean: crps"]),
            mean_or_dash(cases["mean of the taxon: crps"]), f"{100 * good:.0f} %", worst(cases, "below", 0.5), worst(cases, "in 80%", 0.8))


def markdown(head, rows):
    return "\n".join("| " + " | ".join(cells) + " |" for cells in [head, ["---"] * len(head), *rows])


def gained(cases, before):
    """CRPS of an earlier run on the cases that both hold, and the gain since in days with its clustered error."""
    keys = ["records", "collection", "animal", "origin"]
    text = {key: str for key in keys}
    both = cases.astype(text).merge(before.astype(text), on=keys, suffixes=("", " before"))
    if not len(both):
        return "-"
    mean, error = mean_and_error(both["crps before"] - both.crps, clusters_of(both))
    return f"{both['crps before'].mean():.2f}: {mean:+.3f} ± {error:.3f} ({len(both)})"


SIZE_HEAD = ("records", "of", "courses", "in 50 %", "in 80 %", "in 95 %", "below median", "never, %", "stated, %")


def size_lines(cases):
    """A line a question of sizes to come; a day that never comes counts as later than every day."""
    return [(name, what, str(len(part)), *(percent(part[column], clusters_of(part)) for column in (*BANDS, "below")),
             f"{100 * part.never.mean():.0f}", f"{100 * part['never stated'].mean():.0f}")
            for (name, what), part in cases.groupby(["records", "of"], sort=False)]
