"""The growth of a collection, kind by kind: ratio, sizes per instar, stadium medians, as one document."""

from collections import Counter

from moltspan import _core
from moltspan._frames import frames
from moltspan.group.table import json_value
from moltspan.group.tables import _measure, animal_groups, instar_table
from moltspan.growth.growth import fit_growth
from moltspan.growth.lines import dyar_fit
from moltspan.stadia.intervals import check_level
from moltspan.stadia.nonparametric import stadium_medians
from moltspan.records.records import PROBLEM_COLUMNS

POOLED = "pooled least squares: own intercepts of the animals, one ratio"
MIXED = "mixed model by REML: the animals' sizes and ratios vary about the kind's"
MIXED_ANIMALS, MIXED_READINGS = 3, 3  # from so many animals with so many readings each on, the spread between animals can be told


def growth_document(collection, as_of=None, watched="all", level=0.95):
    """What `moltspan growth --json` writes: `as_of`, `watched`, `level`, `taxa` (ratio and stadium median of each), `instars` (the table
    of `instar_table` by taxon and sex), `problems`; null where unknown. The ratio is that of one molt, of log size on molts. Where a taxon has
    3 animals or more with 3 readings or more each it comes from the mixed model (`fit_growth`, REML, own intercepts and ratios of the
    animals) and speaks of the kind; else from least squares with an intercept for each animal, and speaks of these animals. `method`
    says which, `health` where it is weak.
    """
    check_level(level)
    document = {"as_of": None, "watched": watched, "level": level, "taxa": [], "instars": [], "problems": _problems(collection)}
    if collection.as_of is None:
        return document
    table = collection._stadia_table(as_of, watched)
    document["as_of"] = frames.day_of(table.as_of).isoformat()
    taxa = animal_groups(collection, table, ["taxon"])["taxon"]
    medians = _medians(table, taxa, level)
    readings = _core.animal_readings(table)
    for taxon in sorted({taxon for taxon, history in zip(taxa, table.animals, strict=True) if history.recorded}):
        own = [reading for reading in readings if taxa[reading.animal] == taxon]
        document["taxa"].append({"taxon": taxon or None} | _growth(own, level) | {"stadium": medians.get(taxon)})
    document["instars"] = instar_table(collection, as_of=as_of, watched=watched, level=level).rows()
    return document


def _problems(collection):
    columns = frames.columns_of(collection.problems())
    return [{name: json_value(columns[name][i]) for name in PROBLEM_COLUMNS} for i in range(len(columns["severity"]))]


def _growth(readings, level):
    """Ratio of one molt of the animals read in more than one instar."""
    measure = _measure(readings, None)
    read = [reading for reading in readings if reading.measure == measure]
    steps = {}
    for reading in read:
        steps.setdefault(reading.animal, set()).add(reading.molts_before)
    used = [reading for reading in read if len(steps[reading.animal]) > 1]
    answer = {"measure": measure, "animals": len({reading.animal for reading in used}), "readings": len(used), "ratio": None,
              "method": POOLED, "health": "bad", "notes": ["no animal was measured in two instars"]}
    if not used:
        return answer
    method, ratio, health = (_mixed if _many(used) else _pooled)(used, level)
    notes = [text for _, _, text in health.notes]
    if measure == "leg_span":
        notes.append("leg spans read by eye err by some 6 % (assumption): few of them tell little")
    return answer | {"method": method, "ratio": {name: json_value(float(value)) for name, value in ratio.items()}, "health": health.state,
                     "notes": notes}


def _many(readings):
    """Whether the spread between animals can be told: the rule of `MIXED_ANIMALS` and `MIXED_READINGS`."""
    counts = Counter(reading.animal for reading in readings)
    return sum(count >= MIXED_READINGS for count in counts.values()) >= MIXED_ANIMALS


def _pooled(readings, level):
    line = dyar_fit([one.molts_before for one in readings], [one.size for one in readings], animal=[one.animal for one in readings]).pooled
    ratio = line.growth_ratio(level)
    return POOLED, {name: getattr(ratio, name) for name in ("estimate", "lower", "upper")}, line.health


def _mixed(readings, level):
    frame = {"animal": [one.animal for one in readings], "instar": [one.molts_before for one in readings], "size": [one.size for one in readings]}
    fit = fit_growth(frames.frame_of(frame), size="size", method="reml")
    ratio = fit.growth_ratio(level)
    return MIXED, {"estimate": ratio["ratio"], "lower": ratio["lower"], "upper": ratio["upper"]}, fit.health


def _medians(table, taxa, level):
    columns = table.columns()
    if not len(columns["animal"]):
        return {}
    kinds = [taxa[i] for i in columns["animal"]]
    frame = frames.frame_of({"taxon": kinds, "animal": columns["animal"]} | {name: columns[name] for name in ("min_days", "max_days", "entry_days")})
    found = frames.columns_of(stadium_medians(frame, "taxon", animal="animal", level=level, resamples=200))
    names = {"n": "n", "ended": "ended", "median_days": "median_days", "lower": "lower", "upper": "upper", "health": "health", "note": "note"}
    return {frames.text_of(taxon): {ours: json_value(found[theirs][i]) for ours, theirs in names.items()}
            for i, taxon in enumerate(found["taxon"])}


