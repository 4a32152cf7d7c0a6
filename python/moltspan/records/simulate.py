"""Collections with known truth: for tests of coverage, studies of power and examples."""

import numpy as np

from moltspan import _core
from moltspan._frames import frames

PARAMETERS = tuple(_core.simulation_parameter_names())
OPTIONS = tuple(sorted(name for name in vars(_core.SimulationOptions) if not name.startswith("_")))


def simulate_collection(seed=1, replicate=0, **options):
    """A collection with known truth: `(Collection, truth)`.

    `options` are those of `OPTIONS`; what is not given keeps the default of `moltspan.records.simulate.default_options()`. The same
    seed, replicate and options give the same collection on every machine. `truth` is a dict of data frames:

    * `animals`: effects, sizes, how the record began and ended; `next_molt_day` and `days_to_next_molt`, counted from the
      beginning of the day `as_of` (blank for animals whose record has ended, infinite after the last molt of all);
      `next_size_mm`, the true leg span after that molt.
    * `stadia`: what `Collection.stadia()` will show, as numbers, each with its `true_days`.
    * `lives`: every stadium from the acquisition on, recorded or not. Days count from the beginning of `first_day`.
    * `signs`: signs of a coming molt and meals, as written, with `false_alarm`; `stadium` counts within the animal's `lives`.
    * `effects`: of genera, taxa and cohorts. `parameters`: every option used, `as_of` too.
    """
    from moltspan.records.records import Collection

    simulation = _core.simulate_stadia(_options(options), seed, replicate)
    return Collection._from_raw(_core.write_collection(simulation)), _truth(simulation)


def simulate_stadia(seed=1, replicate=0, **options):
    """The truth of `simulate_collection` alone, without the way through text: fast enough for thousands of replicates."""
    return _truth(_core.simulate_stadia(_options(options), seed, replicate))


def draw_prior_truth(priors, seed=1, replicate=0, **options):
    """Options with the parameters named in `priors` drawn from their laws, for simulation-based calibration.

    `priors`: name (one of `PARAMETERS`) -> `("normal", mean, sd)`, `("half_normal", sd)`, `("lognormal", mean_log, sd_log)`,
    `("uniform", low, high)` or `("fixed", value)`. Pass the result on as `simulate_collection(seed, replicate, **drawn)`.
    """
    laws = [(name, _law(name, law)) for name, law in priors.items()]
    drawn = _core.draw_prior_truth(_options(options), laws, seed, replicate)
    return options | {name: getattr(drawn, name) for name in priors}


def default_options():
    """Every option with its default."""
    return _as_dict(_core.SimulationOptions())


def _law(name, law):
    kind, *numbers = law
    if kind not in _core.ParameterLaw.Kind.__members__:
        raise ValueError(f"priors: {name} has the law {kind!r}; give one of {', '.join(_core.ParameterLaw.Kind.__members__)}")
    wanted = 1 if kind in ("fixed", "half_normal") else 2
    if len(numbers) != wanted:
        raise ValueError(f"priors: {name}: {kind!r} takes {wanted} number(s), not {len(numbers)}")
    return _core.ParameterLaw(_core.ParameterLaw.Kind.__members__[kind], *numbers)


def _options(options):
    result = _core.SimulationOptions()
    for name, value in options.items():
        if name not in OPTIONS:
            raise TypeError(f"simulation: there is no option {name!r}; the options are {', '.join(OPTIONS)}")
        setattr(result, name, _option_value(name, value))
    return result


def _option_value(name, value):
    if name == "first_day" and not isinstance(value, (int, np.integer)):
        return frames.day_number(value)
    if name == "family" and isinstance(value, str):
        if value not in _core.Family.__members__:
            raise ValueError(f"simulation: family={value!r}; give one of {', '.join(_core.Family.__members__)}")
        return _core.Family.__members__[value]
    return value


def _as_dict(options):
    values = {name: getattr(options, name) for name in OPTIONS}
    return values | {"family": options.family.name, "first_day": frames.day_of(options.first_day)}


def _truth(simulation):
    import pandas

    options = _as_dict(simulation.options)
    as_of = frames.day_of(simulation.options.first_day + simulation.options.study_days)
    parameters = options | {"seed": simulation.seed, "replicate": simulation.replicate, "as_of": as_of}
    return {"animals": _animals(simulation), "stadia": _named(simulation, simulation.stadia()),
            "lives": _named(simulation, simulation.lives()), "signs": _named(simulation, simulation.signs()),
            "effects": _effects(simulation),
            "parameters": pandas.DataFrame({"name": list(parameters), "value": list(parameters.values())})}


def _named(simulation, columns):
    """A frame with the names of the animal and its groups in front of their codes."""
    import pandas

    n_genera = simulation.options.n_genera
    names = {"animal": _core.simulated_animal_id, "taxon": lambda code: _core.simulated_taxon_name(code, n_genera),
             "genus": _core.simulated_genus_name, "cohort": lambda code: _core.simulated_cohort_name(code) if code >= 0 else ""}
    coded = {level: name for level, name in names.items() if f"{level}_code" in columns}
    named = {level: [name(int(code)) for code in columns[f"{level}_code"]] for level, name in coded.items()}
    return pandas.DataFrame(named | columns)


def _animals(simulation):
    columns = simulation.animals()
    frame = _named(simulation, {"animal_code": np.arange(len(columns["male"]))} | columns)
    for name in ("size_mm", "next_size_mm"):
        frame[name] = 20 * np.exp(frame[name.replace("size_mm", "log_size")])
    frame["days_to_next_molt"] = frame["next_molt_day"] - simulation.options.study_days
    return frame


def _effects(simulation):
    import pandas

    n_genera = simulation.options.n_genera
    rows = [("genus", _core.simulated_genus_name(k), value, np.nan) for k, value in enumerate(simulation.genus_effect)]
    rows += [("taxon", _core.simulated_taxon_name(k, n_genera), pace, growth)
             for k, (pace, growth) in enumerate(zip(simulation.taxon_effect, simulation.taxon_growth_effect, strict=True))]
    rows += [("cohort", _core.simulated_cohort_name(k), value, np.nan) for k, value in enumerate(simulation.cohort_effect)]
    return pandas.DataFrame(rows, columns=["level", "name", "effect", "growth_effect"])
