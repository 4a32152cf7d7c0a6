"""The table per instar and group: sizes, growth ratio, stadium median, from a Collection or from data frames."""

import math

from moltspan import _core
from moltspan._frames import frames
from moltspan.group.group import MEASURES
from moltspan.group.table import ResultTable
from moltspan.stadia.intervals import check_level
from moltspan._frames.result import Health
from moltspan.stadia.rows import SPANNED, rows_note, several_molts

UNKNOWN = "not stated"
LENGTHS = ("min_days", "max_days", "entry_days", SPANNED)


def instar_table(source, by=None, size=None, instar="instar", animal="animal", stadia=None, level=0.95, as_of=None, watched="all",
                 resamples=200):
    """Sizes, growth ratio and stadium median per instar and group.

    `source`: a `Collection`, or a frame with a row a reading: columns `size`, `instar`, `animal` (None: every row an animal of its
    own) and those of `by`. `by`: columns to group by (Collection: default taxon and sex; any column of the animals). `size`: the column, or of a
    Collection the measure (leg_span, carapace_length, ...; default: the one read most, mass last). `stadia`: a frame of lengths with the
    columns of `by`, `instar`, `min_days`, `max_days` (and `entry_days`) for the medians; a Collection brings its own.

    Columns: those of `by`, `instar`; `n` animals and their arithmetic `mean`, `sd`; `geometric_mean` with `lower`, `upper` (Student's on
    the log scale, back-transformed); `ratio` to the next instar with its interval and `ratio_n`, paired within animals;
    `median_days` with bootstrap limits, no family assumed (Turnbull), and `stadia_n`. Sizes in the unit they came in (Collection: mm, g).
    Instars come from the records as stated at a molt and counted on; animals without one share a last row, with their ratio only.
    """
    check_level(level)
    if hasattr(source, "problems") and hasattr(source, "stadia"):
        by = ("taxon", "sex") if by is None else _names(by)
        readings, lengths, size = _of_collection(source, by, size, as_of, watched)
        kind = source._kind
    else:
        by, kind = _names(by or ()), frames.kind_of(source)
        if size is None:
            raise TypeError("instar_table: size names the column of sizes")
        readings = _of_frame(source, by, size, instar, animal)
        lengths = _lengths_of_frame(stadia, by, instar)
    return _table(readings, lengths, by, {"size": size, "by": by, "level": level, "as_of": as_of}, kind, resamples)


def _names(by):
    return (by,) if isinstance(by, str) else tuple(by)


class _Readings:
    """Columns for the core, with labels of the strata."""

    def __init__(self):
        self.labels, self.stratum, self.animal, self.step, self.instar, self.size = {}, [], [], [], [], []
        self.left_out = 0

    def add(self, label, animal, step, instar, size):
        self.stratum.append(self.labels.setdefault(label, len(self.labels)))
        self.animal.append(animal), self.step.append(step), self.instar.append(instar), self.size.append(size)

    def rows(self, level):
        """Rows of the core as (label, row), the strata in sorted order."""
        order = {label: code for code, label in enumerate(sorted(self.labels))}
        names = {code: label for label, code in order.items()}
        recode = {old: order[label] for label, old in self.labels.items()}
        found = _core.instar_table([recode[code] for code in self.stratum], self.animal, self.step, self.instar, self.size, level)
        return [(names[row.stratum], row) for row in found]


def _of_frame(frame, by, size, instar, animal):
    columns = frames.columns_of(frame)
    wanted = [size, instar, *by, *([animal] if animal else [])]
    for name in wanted:
        if name not in columns:
            raise ValueError(f"instar_table: there is no column {name!r}; the table has {', '.join(columns)}")
    readings, animals = _Readings(), {}
    sizes, instars = (frames.checked_numbers(columns[name], f"instar_table: {name}").tolist() for name in (size, instar))
    if not sizes:
        raise ValueError("instar_table: the table has no rows; give it at least one reading")
    for row in range(len(sizes)):
        if math.isnan(sizes[row]):
            readings.left_out += 1
            continue
        name = frames.text_of(columns[animal][row]) if animal else ""
        code = animals.setdefault(name, len(animals)) if name else -1
        readings.add(tuple(frames.text_of(columns[column][row]) for column in by), code, 0, instars[row], sizes[row])
    return readings


def _of_collection(collection, by, size, as_of, watched):
    if collection.as_of is None and as_of is None:
        return _Readings(), None, size or "leg_span"
    table = collection._stadia_table(as_of, watched)
    found = _core.animal_readings(table)
    measure = _measure(found, size)
    groups = animal_groups(collection, table, by)
    readings = _Readings()
    for reading in found:
        if reading.measure == measure:
            readings.add(tuple(groups[name][reading.animal] for name in by), reading.animal, reading.molts_before, reading.instar, reading.size)
    columns = table.columns()
    lengths = {name: [groups[name][i] for i in columns["animal"]] for name in by}
    lengths |= {"instar": _core.stadium_instars(table)} | {name: columns[name].tolist() for name in LENGTHS}
    return readings, lengths, measure


def _measure(readings, size):
    if size is not None:
        measure = size.removesuffix("_mm").removesuffix("_g")
        if measure not in MEASURES:
            raise ValueError(f"size={size!r}: a Collection knows {', '.join(MEASURES)}")
        return measure
    counts = {measure: sum(reading.measure == measure for reading in readings) for measure in MEASURES}
    lengths = {measure: count for measure, count in counts.items() if measure != "mass" and count}
    return max(lengths, key=lengths.get) if lengths else "mass" if counts["mass"] else "leg_span"


def animal_groups(collection, table, names):
    """Column name -> its value for every animal of a collection, as text."""
    from moltspan.records.records import _sex_word

    animals = collection._core_collection.animals
    own = {"taxon": lambda: [animal.taxon for animal in animals], "cohort": lambda: [animal.cohort for animal in animals],
           "sex": lambda: [_sex_word(history.male_chance) for history in table.animals]}
    groups = {}
    for name in names:
        columns = {} if name in own else collection._animal_columns()
        if name not in own and name not in columns:
            raise ValueError(f"by={name!r}: the animals have no such column; they have taxon, sex, cohort, {', '.join(columns)}")
        groups[name] = own[name]() if name in own else [frames.text_of(columns[name][animal.row]) for animal in animals]
    return groups


def _lengths_of_frame(stadia, by, instar):
    if stadia is None:
        return None
    columns = frames.columns_of(stadia)
    for name in (*by, instar, "min_days", "max_days"):
        if name not in columns:
            raise ValueError(f"instar_table: stadia has no column {name!r}; it has {', '.join(columns)}")
    kept = {name: [frames.text_of(value) for value in columns[name]] for name in by}
    kept["instar"] = frames.checked_numbers(columns[instar], f"instar_table: {instar}").tolist()
    return kept | {name: columns[name] for name in LENGTHS if name in columns}


def _medians(lengths, by, level, resamples):
    """(group..., instar) -> row of `stadium_medians`."""
    if lengths is None or not lengths["instar"]:
        return {}
    from moltspan.stadia.nonparametric import stadium_medians

    texts = [UNKNOWN if math.isnan(value) else f"{value:g}" for value in lengths["instar"]]
    labels = ["\x1f".join(parts) for parts in zip(*[lengths[name] for name in by], texts, strict=True)]
    frame = frames.frame_of({"group": labels} | {name: lengths[name] for name in lengths if name in LENGTHS})
    found = frames.columns_of(stadium_medians(frame, "group", level=level, resamples=resamples))
    return {label: {name: values[i] for name, values in found.items()} for i, label in enumerate(found["group"])}


def _table(readings, lengths, by, asked, kind, resamples):
    medians = _medians(lengths, by, asked["level"], resamples)
    several = sum(several_molts(lengths or {}, len((lengths or {}).get("instar", []))))
    rows = []
    for label, row in readings.rows(asked["level"]):
        text = UNKNOWN if math.isnan(row.instar) else f"{row.instar:g}"
        rows.append(dict(zip(by, label, strict=True)) | _size_cells(row) | _median_cells(medians.pop("\x1f".join([*label, text]), None)))
    for key, found in medians.items():  # stadia of instars in which nothing was measured
        *label, text = key.split("\x1f")
        cells = dict.fromkeys(_size_cells(None), math.nan) | {"instar": math.nan if text == UNKNOWN else float(text), "n": 0, "ratio_n": 0}
        rows.append(dict(zip(by, label, strict=True)) | cells | _median_cells(found))
    rows.sort(key=lambda row: ([row[name] for name in by], math.inf if math.isnan(row["instar"]) else row["instar"]))
    names = list(rows[0]) if rows else [*by, *_size_cells(None), *_median_cells(None)]
    return ResultTable(f"Per instar: {asked['size']}", {name: [row[name] for row in rows] for name in names}, kind, asked,
                       _facts(asked, readings), _health(rows).with_notes(rows_note(several)))


def _size_cells(row):
    names = ("instar", "n", "mean", "sd", "geometric_mean", "lower", "upper", "ratio", "ratio_lower", "ratio_upper", "ratio_n")
    if row is None:
        return dict.fromkeys(names)
    size, ratio = row.size, row.ratio.ratio
    values = (row.instar, size.n, size.mean, size.sd, size.geometric_mean.estimate, size.geometric_mean.lower, size.geometric_mean.upper,
              ratio.estimate, ratio.lower, ratio.upper, row.ratio.n)
    return dict(zip(names, values, strict=True))


def _median_cells(found):
    if found is None:
        return {"median_days": math.nan, "median_lower": math.nan, "median_upper": math.nan, "stadia_n": 0}
    return {"median_days": found["median_days"], "median_lower": found["lower"], "median_upper": found["upper"], "stadia_n": found["n"]}


def _facts(asked, readings):
    level = f"{asked['level'] * 100:g} %"
    left = f"; {readings.left_out} rows without a size left out" if readings.left_out else ""
    return [("sizes", f"n animals, arithmetic mean and sd; geometric mean with {level} interval, Student's on the log scale{left}"),
            ("ratios", f"to the next instar, paired within animals, {level} on the log scale"),
            ("medians", f"days, no family assumed (Turnbull), {level} bootstrap limits")]


def _health(rows):
    notes = []
    thin = sum(0 < row["n"] < 3 and not math.isnan(row["instar"]) for row in rows)
    if thin:
        notes.append(("warning", "few animals", f"{thin} instars with under 3 animals: intervals very wide or blank"))
    if any(math.isnan(row["instar"]) for row in rows):
        notes.append(("warning", "instar unknown", "some animals have no instar on record: write the number at a molt; their ratio counts "
                                                   "in the row without an instar"))
    return Health("warning" if notes else "good", tuple(notes))
