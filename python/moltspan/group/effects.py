"""Comparisons of taxa, sexes, treatments and temperatures: effects with intervals first, tests last.

Models are those of `fit_stadia` and `fit_growth`; likelihood ratios, contrasts and their adjustment are in moltspan/group.hpp.
"""

import math

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.group.table import ResultTable
from moltspan.group.tables import animal_groups
from moltspan.growth.growth import fit_growth
from moltspan.stadia.intervals import check_level, choice, fit_stadia
from moltspan._frames.result import ORDER, Health, design_fact, shown
from moltspan.stadia.rows import no_length, rows_note, several_molts


def stadium_effects(table, by, formula="1", cohort=None, animal=None, taxon=None, family="lognormal", method="ml", level=0.95,
                    assigned=False, **options):
    """How much longer are the stadia of one group than of another? Every pair of the groups in the column `by`.

    `table`: a frame as `fit_stadia` takes it, or a `Collection` (its stadia; animals and cohorts are then effects by themselves, and
    `by="setup"` compares the setups of the journal that were in force over whole stadia). Fits
    `log T ~ formula + by` with nested `cohort` and `animal` effects (sibs are not replicates). `ratio`: length over length, with
    `lower`, `upper` for each pair and `simultaneous_*` for all pairs together (max-t). `method="ml"`: likelihood ratio against the fit
    without `by`; pairs adjusted by Holm and by max-t (Tukey's). `method="bayes"`: posterior of each ratio and the chance that it is
    over 1. Degrees of freedom: units - groups, where the units are the cohorts if each lies in one group, else the animals, else the
    stadia. `assigned=True` states that the groups were assigned by design; otherwise the result says that it shows association only.
    """
    check_level(level), choice("method", method, ("ml", "bayes"))
    table, animal, cohort = _stadia_of(table, animal, cohort, by)
    columns, left_out, notes = _with_group(table, by)
    frame = frames.frame_of(columns, frames.kind_of(table))
    settings = {"family": family, "method": method, "animal": animal, "cohort": cohort, "taxon": taxon,
                **_present(columns, options)}
    full = fit_stadia(frame, f"{formula} + {by}", **settings)
    null = fit_stadia(frame, formula, **settings) if method == "ml" else None
    asked = {"by": by, "formula": formula, "level": level, "assigned": assigned, "measure": "stadium length", **settings}
    return _effects(full, null, columns, lambda group: f"{by}[{group}]", asked, (left_out, notes), frames.kind_of(table))


def temperature_effect(table, formula="1", temperature="temperature_c", cohort=None, animal=None, taxon=None, family="lognormal",
                       method="ml", level=0.95, assigned=False, **options):
    """Q10 of development from stadium lengths: `exp(-10 b)`, b the change of log days per degree in `formula + temperature`.

    Rows without a temperature are left out and counted. Interval, units and tests as in `stadium_effects`: where every animal
    is kept at one temperature the animals are the units, else the stadia. A straight line on the log scale: not for temperatures
    around or above an optimum.
    """
    check_level(level), choice("method", method, ("ml", "bayes"))
    table, animal, cohort = _stadia_of(table, animal, cohort, temperature)
    columns, left_out, notes = _with_group(table, temperature)
    frame = frames.frame_of(columns, frames.kind_of(table))
    settings = {"family": family, "method": method, "animal": animal, "cohort": cohort, "taxon": taxon,
                **_present(columns, options)}
    full = fit_stadia(frame, f"{formula} + {temperature}", **settings)
    units = _units(columns, temperature, settings)
    df = units[1] - 2
    _require_units(df, temperature, units, 2)
    if temperature not in full.coefficients:
        raise ValueError(f"temperature_effect: {temperature} gives no slope: it is the same everywhere, or no number")
    slope, error = full.coefficients[temperature], full.standard_errors[temperature]
    q10 = _core.q10_from_slope(slope, error, level, df)
    columns_of_fit = columns
    columns = {"effect": ["Q10 of development"], "estimate": [q10.estimate], "lower": [q10.lower], "upper": [q10.upper]}
    asked = {"by": temperature, "formula": formula, "level": level, "assigned": assigned, "measure": "stadium length", **settings}
    null = fit_stadia(frame, formula, **settings) if method == "ml" else None
    test = _core.likelihood_ratio(full.log_likelihood, null.log_likelihood, 1, df) if null else None
    if test:
        columns["p_value"] = [test.p_small_sample]
    facts = _facts(asked, len(columns_of_fit[temperature]), left_out, units, df) + _test_fact(test)
    return Effects(f"Q10 of development from {temperature}", columns, "pandas", asked, facts, _health(full, columns_of_fit, asked, df, notes),
                   fit=full, null_fit=null, test=test)


def growth_effects(table, by, size="leg_span_mm", instar="instar", animal="animal", cohort=None, random="1 + instar", level=0.95,
                   assigned=False, **options):
    """By how much is the growth ratio of one group larger than that of another? Every pair of the groups in the column `by`.

    `table`: a frame as `fit_growth` takes it, or a `Collection` (its readings of the measure `size`, counted by molts; `by` is then taxon, sex,
    cohort or a column of the animals). Fits `log size ~ instar * by` with random effects of the animals (and nested cohorts). `ratio`: Dyar's
    ratio over Dyar's ratio, with limits for each pair and `simultaneous_*` for all pairs together, by REML, as spreads by maximum likelihood are
    too small with few animals. The likelihood ratio is by maximum likelihood, against `instar + by`, one ratio for all. Units,
    adjustment of pairs, `assigned` as in `stadium_effects`; in a table without gaps the limits are those of Student's t on the animals' own
    slopes. Further options are those of `fit_growth`. ValueError where the animals are too few for the groups.
    """
    check_level(level)
    if hasattr(table, "problems") and hasattr(table, "stadia"):
        table, size, cohort = _readings_of(table, by, size, cohort)
        instar, animal = "instar", "animal"
    columns, left_out, notes = _with_group(table, by)
    frame = frames.frame_of(columns, frames.kind_of(table))
    for argument, name in (("animal", animal), ("cohort", cohort)):
        if isinstance(name, str) and name not in columns:
            raise ValueError(f"{argument}={name!r}: the table has no such column; it has {', '.join(columns)}")
    settings = {"size": size, "instar": instar, "animal": animal, "cohort": cohort, "random": random, **options}
    units, groups = _units(columns, by, settings), len(set(columns[by]))
    _require_units(units[1] - groups, by, units, groups)
    effects = fit_growth(frame, formula=f"instar * {by}", **{"method": "reml", **settings})
    full, null = (fit_growth(frame, formula=f"instar {sign} {by}", **settings, method="ml") for sign in ("*", "+"))
    asked = {"by": by, "level": level, "assigned": assigned, "measure": "growth ratio", **settings}
    return _effects(effects, null, columns, lambda group: f"instar:{by}[{group}]", asked, (left_out, notes), frames.kind_of(table), full)


def _readings_of(collection, by, size, cohort):
    """(frame of readings, column of sizes, column of cohorts) of a collection; instars are molts since the first on record."""
    table, measure = collection._stadia_table(), size.removesuffix("_mm").removesuffix("_g")
    readings = [one for one in _core.animal_readings(table) if one.measure == measure]
    if not readings:
        raise ValueError(f"size={size!r}: the records hold no such reading on a date that counts")
    groups = animal_groups(collection, table, dict.fromkeys([by, "cohort"]))
    names = collection._core_collection.animal_ids
    columns = {"animal": [names[one.animal] for one in readings], "instar": [one.molts_before for one in readings],
               size: [one.size for one in readings]} | {name: [values[one.animal] for one in readings] for name, values in groups.items()}
    nested = len(set(columns["cohort"])) > 1 and "" not in columns["cohort"] and by != "cohort"
    return frames.frame_of(columns, collection._kind), size, cohort or ("cohort" if nested else None)


class Effects(ResultTable):
    """Result of a comparison: a row a pair, effect and interval first. `.fit`, `.null_fit` are the models, `.test` their likelihood ratio."""

    p_value = property(lambda self: self.test.p_small_sample if self.test else None, doc="Of all groups together; F form.")
    p_chi_square = property(lambda self: self.test.p_value if self.test else None, doc="The same against chi-square.")

    def ratio(self, over, under):
        """(estimate, lower, upper) of one group over another, whichever way round it stands in the table."""
        if "pair" not in self.columns:
            raise ValueError("ratio: this is the effect of a number, not of groups; its table holds it")
        for row in self.rows():
            if row["pair"] == f"{over} / {under}":
                return row["ratio"], row["lower"], row["upper"]
            if row["pair"] == f"{under} / {over}":
                return 1 / row["ratio"], 1 / row["upper"], 1 / row["lower"]
        raise KeyError(f"{over!r} / {under!r}: the pairs are {', '.join(self['pair'])}")


def _stadia_of(table, animal, cohort, by):
    if not (hasattr(table, "problems") and hasattr(table, "stadia")):
        return table, animal, cohort
    columns = frames.columns_of(table.stadia())
    if by == "setup" and len(columns["animal"]):
        columns["setup"] = _core.stadium_setups(table._core_collection, table._stadia_table())
    stadia = frames.frame_of(columns, table._kind)
    cohorts = {frames.text_of(value) for value in columns["cohort"]} - {""}
    return stadia, animal or "animal", cohort or ("cohort" if len(cohorts) > 1 and by != "cohort" else None)


def _with_group(table, by):
    """(columns without the rows that have no group or are no stadium, number without a group, notes on the others)."""
    columns = frames.columns_of(table)
    if by not in columns:
        raise ValueError(f"by={by!r}: the table has no such column; it has {', '.join(columns)}")
    texts = [frames.text_of(value) for value in columns[by]]
    several, without = several_molts(columns, len(texts)), no_length(columns, len(texts))
    stadia = [row for row in range(len(texts)) if not (several[row] or without[row])]
    notes = rows_note(sum(several), sum(one and not other for one, other in zip(without, several, strict=True)))
    kept = [row for row in stadia if texts[row] not in ("", "unknown")]
    numeric = frames.looks_numeric([texts[row] for row in kept]) and not any(isinstance(value, str) for value in columns[by])
    found = {name: [values[row] for row in kept] for name, values in columns.items()}
    if not numeric:
        found[by] = [texts[row] for row in kept]
    if len(set(found[by])) < 2:
        raise ValueError(f"by={by!r}: {len(set(found[by]))} group is left; a comparison needs two or more")
    return found, len(stadia) - len(kept), notes


def _present(columns, options):
    """`entry_days` and `start_range_days` are used where the table has them, unless said otherwise."""
    return {name: name for name in ("entry_days", "start_range_days") if name in columns} | options


def _units(columns, by, settings):
    """(name of the units, their number): the outermost level each of whose members lies in one group."""
    groups = columns[by] if by else None
    for level in ("cohort", "animal"):
        if not settings.get(level) or groups is None:
            continue
        of = {}
        for label, group in zip(_members(columns, level, settings), groups, strict=True):
            of.setdefault(label, set()).add(group)
        if all(len(found) == 1 for found in of.values()):
            return f"{level}s", len(of)
    return "rows", len(next(iter(columns.values())))


def _members(columns, level, settings):
    """The member of a level for each row; without one an animal, and a row without either, stands for itself."""
    blank = [""] * len(next(iter(columns.values())))
    names = [columns[settings[one]] if settings.get(one) else blank for one in ("cohort", "animal")][level == "animal":]
    texts = [[frames.text_of(value) for value in values] for values in names]
    return [next(((depth, text) for depth, text in enumerate(parts) if text), row) for row, parts in enumerate(zip(*texts, strict=True))]


def _require_units(df, by, units, taken):
    if df <= 0:
        raise ValueError(f"by={by!r}: {units[1]} {units[0]} for {taken} groups or coefficients leave nothing to judge the spread between "
                         f"{units[0]} by; more are needed")


def _effects(full, null, columns, coefficient, asked, out, kind, tested=None):
    """Contrasts of `full`; likelihood ratio of `tested` (by default the same fit) over `null`. `out`: rows without a group, notes on others."""
    left_out, notes = out
    groups = sorted({str(value) for value in columns[asked["by"]]})
    if not all(isinstance(value, str) for value in columns[asked["by"]]):
        raise ValueError(f"by={asked['by']!r}: its values are numbers; make them texts to compare groups, or see temperature_effect")
    units = _units(columns, asked["by"], asked)
    df = units[1] - len(groups)
    _require_units(df, asked["by"], units, len(groups))
    names = list(full.coefficients)
    values = np.array([full.coefficients[name] for name in names])
    covariance = np.asarray(full.covariance)[:len(names), :len(names)]
    pairs = [(over, under) for i, under in enumerate(groups) for over in groups[i + 1:]]
    weights = np.zeros((len(pairs), len(names)))
    for row, (over, under) in enumerate(pairs):
        weights[row, names.index(coefficient(over))] = 1
        if under != groups[0]:
            weights[row, names.index(coefficient(under))] = -1
    found = _core.contrasts(values, covariance, weights, asked["level"], df if null else math.inf)
    test = _core.likelihood_ratio((tested or full).log_likelihood, null.log_likelihood, len(groups) - 1, df) if null else None
    facts = _facts(asked, len(columns[asked["by"]]), left_out, units, df) + _test_fact(test)
    facts += [("methods", "effects by restricted maximum likelihood, likelihood ratio by maximum likelihood")] if tested else []
    return Effects(f"{asked['measure'].capitalize()} by {asked['by']}", _pair_columns(pairs, found, bool(null)), kind, asked, facts,
                   _health(full, columns, asked, df, notes), fit=full, null_fit=null, test=test)


def _pair_columns(pairs, found, tested):
    columns = {"pair": [f"{over} / {under}" for over, under in pairs], "ratio": np.exp(found.estimate), "lower": np.exp(found.lower),
               "upper": np.exp(found.upper)}
    if len(pairs) > 1:
        columns |= {"simultaneous_lower": np.exp(found.simultaneous_lower), "simultaneous_upper": np.exp(found.simultaneous_upper)}
    if not tested:
        return columns | {"chance_over_1": found.chance_positive}
    return columns | {"p_value": found.p_value} | ({"p_holm": found.p_holm, "p_max_t": found.p_max_t} if len(pairs) > 1 else {})


def _facts(asked, n, left_out, units, df):
    nested = [f"{level} effects" for level in ("taxon", "cohort", "animal") if asked.get(level)]
    model = f"{n} rows" + (f", {left_out} without a value left out" if left_out else "") + (f"; with {' and '.join(nested)}" if nested else "")
    facts = [("compared", f"{asked['measure']} by {asked['by']}; {model}"),
             ("intervals", f"{asked['level'] * 100:g} %" + (f", {units[1]} {units[0]}, {df:g} degrees of freedom" if units else ""))]
    return [*facts, design_fact(asked["assigned"])]


def _test_fact(test):
    if test is None:
        return []
    return [("test", f"likelihood ratio {shown(test.statistic)}, {test.df} df; p = {test.p_small_sample:.3g} by F with {test.residual_df:g} "
                     f"({test.p_value:.3g} by chi-square)")]


def _health(full, columns, asked, df, notes=()):
    notes = [*full.health.notes, *notes]
    if df < 10:
        notes.append(("warning", "few units", f"{df:g} degrees of freedom between units: tests are rough, read the interval"))
    cohorts = asked.get("cohort")
    if not cohorts and "cohort" in columns and len({frames.text_of(value) for value in columns["cohort"]} - {""}) > 1 and asked["by"] != "cohort":
        notes.append(("warning", "cohorts", "cohorts are on record but no effect: sibs are counted as independent animals"))
    return Health(max((state for state, *_ in notes), key=ORDER.index, default="good"), tuple(notes))
