"""What public calls may be given. Arguments are checked here by their names, before anything is computed: a wrong one is refused with its name,
its value and the rule, never with a list of C++ types and never by what breaks inside."""

import functools
import inspect
import math
import os
import re
import reprlib
from datetime import date

import numpy as np

from moltspan._frames import frames
from moltspan._frames.progress import LONG, working

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


def _list_of(rule, words):
    return lambda value: _is_list(value) and len(value) > 0 and all(map(rule[0], value)), words


def _either(one, other):
    def test(value):
        try:
            return one[0](value) or other[0](value)
        except (TypeError, ValueError, OverflowError):
            return other[0](value)

    return test, f"{one[1]}, or {other[1]}"


def _one_of(*words):
    return lambda value: value in words, f"one of {', '.join(map(repr, words))}"


def _named(*names):
    """Our classes of these names: loaded only where they are used."""
    return lambda value: any(_is_of(value, name) for name in names)


def _is_list(value):
    """A list, an array or a column, of one dimension or more."""
    if isinstance(value, (str, bytes, dict, set, frozenset)) or not hasattr(value, "__iter__"):
        return False
    return len(value) >= 0 and not (hasattr(value, "columns") and hasattr(value, "shape"))  # an array without dimensions has no len


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
    return isinstance(value, (str, os.PathLike)) and "\0" not in os.fspath(value) and bool(str(os.fspath(value)).strip())


def _is_text(value):
    return isinstance(value, str)


def _is_column(value):
    return value is None or isinstance(value, str) or _is_list(value)


def _is_names(value):
    return value is None or isinstance(value, str) or (_is_list(value) and len(value) > 0)


def _is_flag(value):
    return isinstance(value, (bool, np.bool_))


def _is_of(value, name):
    """Whether a value is of our class of this name, which stands above this module."""
    return any(one.__name__ == name and one.__module__.startswith("moltspan.") for one in type(value).__mro__)


def _is_result(value):
    return _is_of(value, "Result")


def _is_collection(value):
    return _is_of(value, "Collection")


def _is_fit(value):
    return _is_of(value, "CollectionFit")


def _is_forecast(value):
    return _is_fit(value) or isinstance(value, dict) and {"as_of", "levels", "animals"} <= set(value)


def _is_sizes_by_name(value):
    return isinstance(value, dict) and all(isinstance(name, str) and _is_number(size) and size > 0 for name, size in value.items())


def _is_map(value):
    return value is None or isinstance(value, dict) and all(isinstance(text, str) for pair in value.items() for text in pair)


def _is_axes(value):
    from matplotlib.axes import Axes

    return isinstance(value, Axes) or (_is_list(value) and len(value) > 0 and all(isinstance(one, Axes) for one in np.ravel(value)))


CHANCE = _between(0, 1, "a number between 0 and 1, such as 0.95")
FINITE = _between(-math.inf, math.inf, "a finite number")
POSITIVE = _between(0, math.inf, "a finite number above 0")
ANY_NUMBER = (_is_number, "a number")
COUNT = _whole(0, 1_000_000)
SOME = _whole(1, 1_000_000)
NUMBERS = (_is_numbers, "a list or column of numbers, one a row, blank where unknown")
NUMBER_OR_NUMBERS = (_is_number_or_numbers, "a number, or a list of numbers")
CHANCES = _list_of(CHANCE, "a list of numbers between 0 and 1, such as (0.5, 0.8, 0.95)")
TEXT = (_is_text, "a text")
NAME = (lambda value: value is None or isinstance(value, str), "the name of a column, or None")
COLUMN = (_is_column, "the name of a column, or a list of values, one a row")
NAMES = (_is_names, "the name of a column, or a list of names")
TABLE = (_is_table, "a pandas, polars or pyarrow data frame")
DAY = (_is_day, f"a day: a datetime.date or a text such as '2026-04-03', between the years {frames.FIRST_YEAR} and {frames.LAST_YEAR}")
FLAG = (_is_flag, "True or False")
RESULT = (_is_result, "a result of moltspan of the kind that the description names")
COLLECTION = (_is_collection, "a Collection, as moltspan.read gives it")
FIT = (_is_fit, "a CollectionFit, as moltspan.fit gives it")
PATH = (_is_path, "the path of a file or folder")
MAPPING = (lambda value: isinstance(value, dict), "a dict")
LAW = (_named("LogNormalMixture"), "a LogNormalMixture of moltspan.stadia.score")
SIZES = _either((_is_list, "a list of sizes, one an animal"), TABLE)
TABLE_OR_COLLECTION = (lambda value: _is_table(value) or _is_collection(value), "a pandas, polars or pyarrow data frame, or a Collection")
ROWS_OR_TABLE = _either(NUMBERS, TABLE)
INCREMENT = (_named("IncrementModel", "IncrementFit"), "an IncrementFit, or what increment_model gives")
PERIOD = (_named("PeriodModel"), "a PeriodModel, as period_model gives it")
BANDS = _list_of(_one_of("new", "simultaneous", "mean"), "a list of 'new', 'simultaneous' and 'mean'")
ANY = None

SOME_NUMBERS = (lambda value: _is_number(value) or (_is_list(value) and len(value) > 0 and np.asarray(value, dtype=float).ndim == 1),
                "a number, or a list of one or more")

# Argument -> what it takes, in every call that has one of this name. None is taken where it is the default.
RULES = {
    "level": CHANCE, "levels": CHANCES, "quantiles": CHANCES, "p": _either(CHANCE, CHANCES), "null_share": CHANCE, "least_spread": CHANCE,
    "seed": _whole(0, 2**64 - 1), "replicate": _whole(0, 2**32 - 1), "threads": _whole(0, 1024), "resamples": COUNT, "bootstrap": COUNT,
    "permutations": COUNT, "replicates": SOME, "draws": _whole(1, 2**31 - 1), "molts": _whole(0, 1000), "at_most": SOME,
    "quadrature": _whole(0, 1000),
    "n_instars": SOME, "max_instars": SOME, "bins": _whole(1, 10_000), "bands": BANDS,
    "as_of": DAY, "today": DAY, "on": DAY, "day": DAY, "until": DAY,
    "table": TABLE, "frame": TABLE, "animals": TABLE, "journal": TABLE, "taxa": TABLE, "enclosures": TABLE, "temperatures": TABLE,
    "stadia": TABLE,
    "collection": COLLECTION, "fit": RESULT, "mixture": RESULT, "result": RESULT, "backtest": RESULT, "kept": RESULT, "ax": (_is_axes, "matplotlib axes"),
    "watched": TEXT, "look_back": TEXT, "method": TEXT, "family": TEXT, "truncation": TEXT, "spacing": TEXT, "spread": TEXT, "covariance": TEXT, "form": TEXT,
    "loss": TEXT, "response": TEXT, "scores": TEXT, "degrees": TEXT, "coefficient": TEXT, "new_animal": TEXT, "title": TEXT, "remark": TEXT,
    "label": TEXT, "formula": TEXT, "random": TEXT, "effect": TEXT, "effects": TEXT, "measure": TEXT, "kind": TEXT, "unit": TEXT,
    "trait": TEXT, "factor": TEXT, "temperature": TEXT, "instar": COLUMN, "size": COLUMN, "y": COLUMN, "x": COLUMN, "taxon": COLUMN, "cohort": COLUMN,
    "animal": COLUMN, "status": COLUMN, "start": COLUMN, "strata": NAMES, "by": NAMES, "process": ANY, "beside": ANY,
    "progress": (lambda value: value is None or _is_flag(value) or callable(value), "None, True, False or a function of (done, all)"),
    "strict": FLAG, "growth_model": FLAG, "hidden_molts": FLAG, "mix_families": FLAG, "instar_effect": FLAG, "spread_effect": FLAG, "clock": FLAG,
    "recalibrate": FLAG, "assigned": FLAG, "correlated": FLAG, "mean": FLAG,
    "weight": POSITIVE, "priors": MAPPING, "rules": MAPPING, "columns": MAPPING, "map": MAPPING, "date_order": TEXT, "folder": PATH, "file": PATH, "out": PATH,
    "min_days": COLUMN, "max_days": COLUMN, "entry_days": COLUMN, "start_range_days": COLUMN, "weights": COLUMN,
    "instars": NUMBERS, "sizes_mm": NUMBERS, "pre_mm": NUMBERS, "post_mm": NUMBERS, "before": NUMBERS, "after": NUMBERS, "values": NUMBERS,
    "periods_days": NUMBERS, "temperatures_c": NUMBERS, "temperature_c": NUMBERS, "days": NUMBERS, "parameters": NUMBERS, "times": NUMBER_OR_NUMBERS,
    "size_mm": POSITIVE, "start_mm": POSITIVE, "ratio": POSITIVE, "leg_span_mm": POSITIVE, "growth_ratio": POSITIVE, "growth_log_sd": FINITE,
    "against": POSITIVE, "rate_1": POSITIVE, "rate_2": POSITIVE, "temperature_1_c": FINITE, "temperature_2_c": FINITE, "a": FINITE, "b_c": FINITE,
    "c": FINITE, "lower_c": FINITE, "upper_c": FINITE, "use_from_c": FINITE, "use_to_c": FINITE, "step_days": FINITE, "given_days": FINITE,
    "molting_days": FINITE, "against": FINITE, "difference": FINITE, "null": FINITE, "reading_step_mm": _either(ANY_NUMBER, NUMBERS),
    "y_days": NUMBER_OR_NUMBERS, "mean_log": NUMBER_OR_NUMBERS, "sd_log": NUMBER_OR_NUMBERS, "elapsed_days": NUMBER_OR_NUMBERS,
    "censored_at_days": NUMBER_OR_NUMBERS, "n_animals": NUMBER_OR_NUMBERS, "study_days": NUMBER_OR_NUMBERS, "check_every_days": NUMBER_OR_NUMBERS,
    "cdf": (callable, "a function"), "quantile": (callable, "a function"), "known": (_is_list, "a list, one an animal, blank where not known"),
    "pits": (_is_list, "a list of pairs, as pit gives them"), "cluster": (_is_list, "a list, one a value"),
    "origins": _either(_whole(1, 10_000), _list_of(DAY, "a list of days")),
    "sexes": (_is_list, "a list of words, one an animal"), "fits": (_is_list, "a list of fits"),
}

# What None leaves out also where another value is the default: groups and their effects.
MAY_BE_LEFT_OUT = {"animal", "taxon", "cohort", "by"}

# Where the same name means something else.
EXCEPTIONS = {
    "import_table": {"table": _either(TABLE, PATH), "map": (_is_map, 'a dict of heading -> meaning, such as {"Shed": "molt"}')},
    "study_power": dict.fromkeys(("n_animals", "check_every_days", "study_days"), SOME_NUMBERS),
    "forecast_document": {"fit": FIT},
    "rehouse_document": {"fit": FIT, "rules": PATH},
    "CollectionFit.rehouse": {"rules": PATH},
    "CollectionFit.trajectories": {"animals": (_is_list, "a list of names of animals")},
    "CollectionFit.trajectory": {"animal": TEXT},
    "CollectionFit.chance_molt_before": {"animal": TEXT},
    "GrowthModel.size_after": {"animal": TEXT},
    "GrowthModel.ratios": {"level": TEXT},
    "plot_next_molt": {"fit": FIT, "animal": TEXT},
    "plot_stadia": {"fit": FIT, "taxon": TEXT},
    "DyarAnimals.fit": {"animal": ANY},
    "Trajectories.__getitem__": {"animal": TEXT},
    "Belehradek.days": {"temperature_c": NUMBER_OR_NUMBERS},
    "Belehradek.rate_per_day": {"temperature_c": NUMBER_OR_NUMBERS},
    "Briere.rate_per_day": {"temperature_c": NUMBER_OR_NUMBERS},
    "Belehradek.temperature_c": {"days": NUMBER_OR_NUMBERS},
    "instar_mixture": {"sizes_mm": SIZES},
    "InstarMixture.assign": {"sizes_mm": SIZES},
    "stadium_npmle": {"min_days": ROWS_OR_TABLE},
    "kaplan_meier": {"min_days": ROWS_OR_TABLE},
    "log_score": {"forecast": LAW, "min_days": ANY_NUMBER, "max_days": ANY_NUMBER},
    "pit": {"forecast": LAW, "min_days": ANY_NUMBER, "max_days": ANY_NUMBER},
    "covered_share": {"forecast": LAW, "min_days": ANY_NUMBER, "max_days": ANY_NUMBER, "lower": ANY_NUMBER, "upper": ANY_NUMBER},
    "interval_score": {"lower": NUMBER_OR_NUMBERS, "upper": NUMBER_OR_NUMBERS},
    "crps": {"weights": (lambda value: _is_list(value) and len(value) > 0, "a list of numbers, one a component"), "low": ANY_NUMBER,
             "high": ANY_NUMBER},
    "KaplanMeier.quantile": {"p": CHANCE},
    "plot_comparison": {"table": ANY, "name": TEXT, "estimate": TEXT, "lower": TEXT, "upper": TEXT},
    "plot_by_instar": {"table": ANY},
    "plot_fan": {"quantiles": (lambda value: _is_table(value) or isinstance(value, dict), "the frame that Trajectory.fan gives"),
                 "animal": TEXT, "readings": TABLE, "limits": (_is_sizes_by_name, "a dict of name -> leg span in mm")},
    "plot_prior_posterior": {"names": _either(TEXT, _list_of(TEXT, "a list of texts"))},
    "plot_calendar": {"forecast": (_is_forecast, "a CollectionFit, or the document of its forecast")},
    "fit_growth": {"size": NAMES, "instar": TEXT, "animal": NAME, "cohort": NAME},
    "project_molts": {"increment": INCREMENT, "period": PERIOD},
    "IncrementFit.project": {"period": PERIOD},
    "molt_incidence": {"status": TEXT, "start": TEXT},
    "LogNormalMixture": {"weights": NUMBERS, "mean_log": NUMBERS, "sd_log": NUMBERS, "elapsed_days": ANY_NUMBER},
    "plot_growth": {"fit": ANY},
    "plot_survival": {"result": ANY, "band": ANY, "group": ANY},
    "labels": {"animals": _list_of(TEXT, "a list of names")}, "growth_record": {"animal": TEXT},
    "RehousePlan.calendar": {"collection": TEXT},
    "report": {"collection_or_fit": (lambda value: _is_collection(value) or _is_fit(value), "a Collection or a CollectionFit")},
    "instar_table": {"source": TABLE_OR_COLLECTION, "size": NAME, "instar": TEXT, "animal": NAME},
    "dyar_fit": {"weights": NUMBERS, "animal": (_is_list, "a list of names, one a row")},
    "stadium_effects": {"table": TABLE_OR_COLLECTION},
    "temperature_effect": {"table": TABLE_OR_COLLECTION},
    "allometry_fit": {"y": TEXT, "x": TEXT},
    "growth_effects": {"table": TABLE_OR_COLLECTION, "size": TEXT, "instar": TEXT, "animal": NAME, "cohort": NAME},
    "Effects.ratio": {"over": ANY, "under": ANY},
    "IncrementFit.predict_pre": {"post_mm": ANY_NUMBER},
    "ResultTable.__getitem__": {"name": TEXT},
    "RehousePlan.__getitem__": {"name": TEXT},
    "CurveFit.interval": {"name": TEXT},
}


# What Python and numpy say where they meet a value of a type that nobody thought of.
NATIVE = re.compile("unhashable type|object is not|has no len|unsized|truth value of|could not convert|inhomogeneous|need at least one array|"
                    "cannot unpack|unsupported operand|must be a string or|must be real|cannot reshape|can only concatenate|"
                    "not supported between|0-d array|zero-size array|is not in list|could not be broadcast|invalid literal|cannot convert|"
                    "converted to Python scalars|format string|must have one value a row each|^formula ")


def said(value):
    """A value as a message shows it: short, whatever it is."""
    words = reprlib.Repr()
    words.maxstring = words.maxother = words.maxlong = LONGEST_VALUE
    plain = value is None or isinstance(value, (str, bytes, bool, int, float, complex, list, tuple, dict, set, date, np.generic, np.ndarray, type))
    text = " ".join(words.repr(value).split()) if plain else f"a {type(value).__name__}"
    return text if len(text) <= 2 * LONGEST_VALUE else text[:LONGEST_VALUE] + "..."


def _check(where, name, value, default):
    if value is None and (default is None or name in MAY_BE_LEFT_OUT):
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
        raise WrongArgument(f"{where}: {name} = {said(value)}: give {words}") from None


def _told(where, arguments):
    return f"{where} was called with " + ", ".join(f"{name}={said(value)}" for name, value in arguments.items() if name not in ("self", "cls"))


def _in_words(where, trouble, arguments):
    """What Python, numpy or the core say of an argument without its name, with the names; None where the message speaks for itself."""
    text = str(trouble)
    if "incompatible function arguments" in text or "incompatible constructor arguments" in text:
        return f"{where}: one argument is of a type that it does not take; {_told(where, arguments)}; see help({where})"
    if isinstance(trouble, OverflowError):
        return f"{where}: a number is too large; {_told(where, arguments)}"
    if text.startswith("Error in function boost"):
        return f"{where}: a number lies too near to an end to be worked out; {_told(where, arguments)}"
    named = any(name in text for name in arguments)
    return None if named or not NATIVE.search(text) else f"{where}: {text}; {_told(where, arguments)}"


def checked(function, where=None):
    """The function, its arguments checked by their names before it is called."""
    where = where or function.__qualname__
    signature = inspect.signature(function)
    long = LONG.get(where)
    own_progress = "progress" in signature.parameters
    if long and not own_progress:
        signature = _with_progress(signature)
    loose = {name for name, one in signature.parameters.items() if one.kind in (one.VAR_POSITIONAL, one.VAR_KEYWORD)} | {"self", "cls"}

    @functools.wraps(function)
    def call(*given, **named):
        try:
            bound = signature.bind(*given, **named)
        except TypeError as trouble:
            raise TypeError(f"{where}: {trouble}") from None
        for name, value in bound.arguments.items():
            if name not in loose:
                _check(where, name, value, signature.parameters[name].default)
        try:
            if long is None or own_progress:
                return function(*given, **named)
            with working(long.what, named.pop("progress", None), long.total, long.share):
                return function(*given, **named)
        except (TypeError, ValueError, OverflowError, RuntimeError) as trouble:
            text = _in_words(where, trouble, bound.arguments)
            if text is None:
                raise
            raise WrongArgument(text) from trouble

    call._checked = True
    if long:
        call.__signature__ = signature
    return call


def _with_progress(signature):
    """The signature with `progress=None`, a keyword, as every call that can take long has it (see moltspan._frames.progress.working)."""
    names = list(signature.parameters.values())
    loose = [one for one in names if one.kind is one.VAR_KEYWORD]
    extra = inspect.Parameter("progress", inspect.Parameter.KEYWORD_ONLY, default=None)
    return signature.replace(parameters=[*(one for one in names if one not in loose), extra, *loose])


def check_methods(cls, init=False):
    """The class, the arguments of its public methods (and with `init` of its making) checked."""
    for name, member in list(vars(cls).items()):
        if name.startswith("_") and name != "__getitem__" and not (init and name == "__init__"):
            continue
        where = cls.__name__ if name == "__init__" else f"{cls.__name__}.{name}"
        if inspect.isfunction(member) and not hasattr(member, "_checked"):
            setattr(cls, name, checked(member, where))
        elif isinstance(member, classmethod) and not hasattr(member.__func__, "_checked"):
            setattr(cls, name, classmethod(checked(member.__func__, where)))
    return cls
