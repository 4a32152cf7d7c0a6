"""The growth of a collection, kind by kind: ratio, sizes per instar, stadium medians, as one document."""

from moltspan import _core, frames
from moltspan.group_table import json_value
from moltspan.group_tables import _measure, animal_groups, instar_table
from moltspan.growth_lines import dyar_fit
from moltspan.intervals import check_level
from moltspan.nonparametric import stadium_medians
from moltspan.records import PROBLEM_COLUMNS

METHOD = "pooled least squares: own intercepts of the animals, one ratio"


def growth_document(collection, as_of=None, watched="all", level=0.95):
    """What `moltspan growth --json` writes: `as_of`, `watched`, `level`, `taxa` (ratio and stadium median of each), `instars` (the table
    of `instar_table` by taxon and sex), `problems`; null where unknown. The ratio is that of one molt, by least squares of log size on
    molts with an intercept for each animal; `health` says where that is weak. It speaks of these animals.
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
              "method": METHOD, "health": "bad", "notes": ["no animal was measured in two instars"]}
    if not used:
        return answer
    pooled = dyar_fit([reading.molts_before for reading in used], [reading.size for reading in used],
                      animal=[reading.animal for reading in used]).pooled
    ratio = pooled.growth_ratio(level)
    values = {name: json_value(float(getattr(ratio, name))) for name in ("estimate", "lower", "upper")}
    notes = [text for _, _, text in pooled.health.notes]
    if measure == "leg_span":
        notes.append("leg spans read by eye err by some 6 % (assumption): few of them tell little")
    return answer | {"ratio": values, "health": pooled.health.state, "notes": notes}


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


