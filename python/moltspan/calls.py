"""What public calls may be given. Arguments are checked here by their names, before anything is computed: a wrong one is refused with its name,
its value and the rule, never with a list of C++ types and never by what breaks inside."""

import functools
import inspect
import math
import os
import reprlib

import numpy as np

from moltspan import frames

LONGEST_VALUE = 80


class WrongArgument(ValueError, TypeError):
    """An argument that a call does not take: of another type, or a value that breaks a rule."""


def _is_number(value):
    return isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, (bool, np.bool_))


def _is_whole(value, least, most):
    return _is_number(value) and math.isfinite(value) and value == int(value) and least <= value <= most


def _between(low, high, words):
    return lambda value: _is_number(value) and low < value < high, words


def _whole(least, most):
    return lambda value: _is_whole(value, least, most), f"a whole number from {least} to {most}"


def _one_or_list(rule, words, empty=False):
    test, _ = rule

    def each(value):
        if isinstance(value, (str, bytes, dict)) or value is None:
            return False
        values = [value] if np.ndim(value) == 0 else list(value)
        return (empty or len(values) > 0) and all(map(test, values))

    return each, words


def _either(one, other):
    return lambda value: one[0](value) or other[0](value), f"{one[1]}, or a list of days"


def _is_list(value):
    """A list, an array or a column, of one dimension or more."""
    if isinstance(value, (str, bytes, dict, set, frozenset)) or not hasattr(value, "__len__") or not hasattr(value, "__iter__"):
        return False
    return not (hasattr(value, "columns") and hasattr(value, "shape"))


def _is_numbers(value):
    """Cells are looked at where they are read, which names the row of one that is no number."""
    return _is_list(value) and getattr(value, "ndim", 1) == 1


def _is_number_or_numbers(value):
    return _is_number(value) or (_is_list(value) and np.asarray(value, dtype=float).dtype == float)


def _is_table(value):
    try:
        return frames.kind_of(value) in frames.KINDS
    except TypeError:
        return False


def _is_day(value):
    try:
        return frames.day_number(value) is not None
    except (TypeError, ValueError):
        return False


def _is_path(value):
    return isinstance(value, (str, os.PathLike)) and "\0" not in os.fspath(value)


def _is_text(value):
    return isinstance(value, str)


def _is_column(value):
    return isinstance(value, str) or _is_list(value)


def _is_names(value):
    return isinstance(value, str) or (_is_list(value) and len(value) > 0)


def _is_flag(value):
    return isinstance(value, (bool, np.bool_))


def _is_result(value):
    from moltspan.result import Result

    return isinstance(value, Result)


def _is_collection(value):
    from moltspan.records import Collection

    return isinstance(value, Collection)


def _is_fit(value):
    from moltspan.collection_fit import CollectionFit

    return isinstance(value, CollectionFit)


def _is_axes(value):
    from matplotlib.axes import Axes

    return isinstance(value, Axes) or (_is_list(value) and all(isinstance(one, Axes) for one in np.ravel(value)))


def _is_law(value):
    return type(value).__name__ == "LogNormalMixture"


CHANCE = _between(0, 1, "a number between 0 and 1, such as 0.95")
FINITE = _between(-math.inf, math.inf, "a finite number")
POSITIVE = _between(0, math.inf, "a finite number above 0")
ANY_NUMBER = (_is_number, "a number")
COUNT = _whole(0, 1_000_000)
SOME = _whole(1, 1_000_000)
NUMBERS = (_is_numbers, "a list or column of numbers, one a row, blank where unknown")
NUMBER_OR_NUMBERS = (_is_number_or_numbers, "a number, or a list of numbers")
CHANCES = _one_or_list(CHANCE, "numbers between 0 and 1, such as (0.5, 0.8, 0.95)")
TEXT = (_is_text, "a text")
COLUMN = (_is_column, "the name of a column, or a list of values, one a row")
NAMES = (_is_names, "the name of a column, or a list of names")
TABLE = (_is_table, "a pandas, polars or pyarrow data frame")
DAY = (_is_day, f"a datetime.date or a text such as '2026-04-03', between the years {frames.FIRST_YEAR} and {frames.LAST_YEAR}")
FLAG = (_is_flag, "True or False")
RESULT = (_is_result, "a result of moltspan of the kind that the description names")
COLLECTION = (_is_collection, "a Collection, as moltspan.read gives it")
FIT = (_is_fit, "a CollectionFit, as moltspan.fit gives it")
PATH = (_is_path, "the path of a file or folder")
MAPPING = (lambda value: isinstance(value, dict), "a dict")
LAW = (_is_law, "a LogNormalMixture, as moltspan.score has it")
ANY = None

# Argument -> what it takes, in every call that has one of this name. None is taken where it is the default.
RULES = {
    "level": CHANCE, "levels": CHANCES, "quantiles": CHANCES, "p": CHANCES, "null_share": CHANCE, "least_spread": CHANCE,
    "seed": _whole(0, 2**64 - 1), "replicate": _whole(0, 2**32 - 1), "threads": _whole(0, 1024), "resamples": COUNT, "bootstrap": COUNT,
    "permutations": COUNT, "replicates": SOME, "draws": SOME, "molts": _whole(0, 1000), "at_most": SOME, "quadrature": _whole(0, 1000),
    "n_instars": SOME, "max_instars": SOME, "bins": _whole(1, 10_000),
    "as_of": DAY, "today": DAY, "on": DAY, "day": DAY, "until": DAY,
    "table": TABLE, "frame": TABLE, "animals": TABLE, "journal": TABLE, "taxa": TABLE, "enclosures": TABLE, "stadia": TABLE,
    "collection": COLLECTION, "fit": RESULT, "mixture": RESULT, "result": RESULT, "backtest": RESULT, "ax": (_is_axes, "matplotlib axes"),
    "watched": TEXT, "method": TEXT, "family": TEXT, "truncation": TEXT, "spacing": TEXT, "spread": TEXT, "covariance": TEXT, "form": TEXT,
    "loss": TEXT, "response": TEXT, "scores": TEXT, "degrees": TEXT, "coefficient": TEXT, "new_animal": TEXT, "title": TEXT, "remark": TEXT,
    "label": TEXT, "formula": TEXT, "random": TEXT, "effect": TEXT, "effects": TEXT, "measure": TEXT, "kind": TEXT, "unit": TEXT,
    "trait": TEXT, "temperature": TEXT, "instar": COLUMN, "size": COLUMN, "y": COLUMN, "x": COLUMN, "taxon": COLUMN, "cohort": COLUMN,
    "animal": COLUMN, "status": COLUMN, "start": COLUMN, "strata": NAMES, "by": NAMES, "process": ANY,
    "strict": FLAG, "growth_model": FLAG, "hidden_molts": FLAG, "mix_families": FLAG, "assigned": FLAG, "correlated": FLAG, "mean": FLAG,
    "priors": MAPPING, "rules": MAPPING, "columns": MAPPING, "folder": PATH, "file": PATH, "out": PATH,
    "min_days": COLUMN, "max_days": COLUMN, "entry_days": COLUMN, "start_range_days": COLUMN, "weights": COLUMN,
    "instars": NUMBERS, "sizes_mm": NUMBERS, "pre_mm": NUMBERS, "post_mm": NUMBERS, "before": NUMBERS, "after": NUMBERS, "values": NUMBERS,
    "periods_days": NUMBERS, "temperatures_c": NUMBERS, "temperature_c": NUMBERS, "days": NUMBERS, "parameters": NUMBERS, "times": NUMBER_OR_NUMBERS,
    "size_mm": POSITIVE, "start_mm": POSITIVE, "ratio": POSITIVE, "leg_span_mm": POSITIVE, "growth_ratio": POSITIVE, "growth_log_sd": FINITE,
    "against": POSITIVE, "rate_1": POSITIVE, "rate_2": POSITIVE, "temperature_1_c": FINITE, "temperature_2_c": FINITE, "a": POSITIVE, "b_c": FINITE,
    "c": POSITIVE, "lower_c": FINITE, "upper_c": FINITE, "use_from_c": FINITE, "use_to_c": FINITE, "step_days": POSITIVE, "given_days": FINITE,
    "molting_days": FINITE, "test_slope": FINITE, "difference": FINITE, "null": FINITE, "reading_step_mm": NUMBER_OR_NUMBERS,
    "y_days": NUMBER_OR_NUMBERS, "mean_log": NUMBER_OR_NUMBERS, "sd_log": NUMBER_OR_NUMBERS, "elapsed_days": NUMBER_OR_NUMBERS,
    "censored_at_days": NUMBER_OR_NUMBERS, "n_animals": NUMBER_OR_NUMBERS, "study_days": NUMBER_OR_NUMBERS, "check_every_days": NUMBER_OR_NUMBERS,
    "cdf": (callable, "a function"), "quantile": (callable, "a function"), "known": (_is_list, "a list, one an animal, blank where not known"),
    "pits": (_is_list, "a list of pairs, as pit gives them"), "cluster": (_is_list, "a list, one a value"),
    "origins": _either(_whole(1, 10_000), _one_or_list(DAY, "")), "sexes": (_is_list, "a list of words, one an animal"), "fits": (_is_list, "a list of fits"),
}

# Where the same name means something else.
EXCEPTIONS = {
    "forecast_document": {"fit": FIT}, "rehouse_document": {"fit": FIT, "rules": PATH}, "CollectionFit.rehouse": {"rules": PATH},
    "CollectionFit.trajectories": {"animals": NAMES}, "CollectionFit.trajectory": {"animal": TEXT},
    "CollectionFit.chance_molt_before": {"animal": TEXT}, "GrowthModel.size_after": {"animal": TEXT},
    "GrowthModel.ratios": {"level": TEXT}, "plot_next_molt": {"fit": FIT, "animal": TEXT}, "plot_stadia": {"fit": FIT, "taxon": TEXT},
    "DyarAnimals.fit": {"animal": ANY}, "Trajectories.__getitem__": {"animal": TEXT}, "Estimate.__init__": {},
    "Belehradek.days": {"temperature_c": NUMBER_OR_NUMBERS}, "Belehradek.rate_per_day": {"temperature_c": NUMBER_OR_NUMBERS},
    "Briere.rate_per_day": {"temperature_c": NUMBER_OR_NUMBERS}, "Belehradek.temperature_c": {"days": NUMBER_OR_NUMBERS},
    "instar_mixture": {"sizes_mm": ANY}, "InstarMixture.assign": {"sizes_mm": ANY}, "stadium_npmle": {"min_days": ANY},
    "kaplan_meier": {"min_days": ANY}, "log_score": {"forecast": LAW, "min_days": ANY_NUMBER, "max_days": ANY_NUMBER},
    "pit": {"forecast": LAW, "min_days": ANY_NUMBER, "max_days": ANY_NUMBER},
    "covered_share": {"forecast": LAW, "min_days": ANY_NUMBER, "max_days": ANY_NUMBER, "lower": ANY_NUMBER, "upper": ANY_NUMBER},
    "interval_score": {"y_days": ANY_NUMBER, "lower": ANY_NUMBER, "upper": ANY_NUMBER},
    "crps": {"weights": NUMBER_OR_NUMBERS, "low": ANY_NUMBER, "high": ANY_NUMBER}, "KaplanMeier.quantile": {"p": CHANCE},
    "plot_comparison": {"table": ANY, "name": TEXT, "estimate": TEXT, "lower": TEXT, "upper": TEXT}, "plot_by_instar": {"table": ANY},
    "plot_families": {}, "plot_fan": {"quantiles": ANY, "animal": TEXT}, "plot_prior_posterior": {"names": NAMES},
    "plot_temperature": {"fit": ANY}, "increment_fit": {}, "IncrementFit.project": {"start_mm": POSITIVE}, "clustered_mean": {},
    "plot_instars": {"bins": ANY}, "plot_growth": {"fit": ANY}, "plot_survival": {"result": ANY, "band": ANY, "group": ANY},
    "report": {"remark": TEXT}, "instar_table": {"size": TEXT, "instar": TEXT, "animal": TEXT}, "dyar_fit": {"weights": NUMBERS, "animal": (_is_list, "a list of names, one a row")},
    "allometry_fit": {"y": TEXT, "x": TEXT}, "growth_effects": {"size": TEXT, "instar": TEXT}, "Effects.ratio": {"over": ANY, "under": ANY},
    "ResultTable.__getitem__": {"name": TEXT}, "RehousePlan.__getitem__": {"name": TEXT}, "CurveFit.interval": {"name": TEXT},
}


def said(value):
    """A value as a message shows it: short, whatever it is."""
    words = reprlib.Repr()
    words.maxstring = words.maxother = LONGEST_VALUE
    text = f"a {type(value).__name__}" if hasattr(value, "columns") else " ".join(words.repr(value).split())
    return text if len(text) <= 2 * LONGEST_VALUE else text[:LONGEST_VALUE] + "..."


def _check(where, name, value, default):
    if value is None and default is None:
        return
    rule = EXCEPTIONS.get(where, {}).get(name, RULES.get(name))
    if rule is None:
        return
    test, words = rule
    try:
        right = bool(test(value))
    except (TypeError, ValueError, OverflowError):
        right = False
    if not right:
        raise WrongArgument(f"{where}: {name}={said(value)}: give {words}") from None


def checked(function, where=None):
    """The function, its arguments checked by their names before it is called."""
    where = where or function.__qualname__
    signature = inspect.signature(function)
    of_methods = "self" in signature.parameters or "cls" in signature.parameters

    @functools.wraps(function)
    def call(*given, **named):
        try:
            bound = signature.bind(*given, **named)
        except TypeError as trouble:
            raise TypeError(f"{where}: {trouble}") from None
        for name, value in bound.arguments.items():
            kind = signature.parameters[name].kind
            if kind not in (inspect.Parameter.VAR_POSITIONAL, inspect.Parameter.VAR_KEYWORD) and not (of_methods and name in ("self", "cls")):
                _check(where, name, value, signature.parameters[name].default)
        try:
            return function(*given, **named)
        except OverflowError:
            told = ", ".join(f"{name}={said(value)}" for name, value in bound.arguments.items() if name != "self")
            raise WrongArgument(f"{where}: a number among these is too large: {told}") from None
        except TypeError as trouble:
            if "incompatible function arguments" not in str(trouble) and "incompatible constructor arguments" not in str(trouble):
                raise
            told = ", ".join(f"{name}={said(value)}" for name, value in bound.arguments.items() if name != "self")
            raise WrongArgument(f"{where}: one of these is of a type that it does not take: {told}; see help({where})") from None

    call._checked = True
    return call


def check_methods(cls):
    """The class, the arguments of its public methods checked."""
    for name, member in list(vars(cls).items()):
        if name.startswith("_") and name != "__getitem__":
            continue
        if inspect.isfunction(member) and not hasattr(member, "_checked"):
            setattr(cls, name, checked(member, f"{cls.__name__}.{name}"))
        elif isinstance(member, classmethod):
            setattr(cls, name, classmethod(checked(member.__func__, f"{cls.__name__}.{name}")))
    return cls
