"""Wrong calls: every public function and every method of its results, each argument in turn replaced by what does not belong there.

The program is seeded. What it asks of an answer: none at all where the value happens to be allowed, else a ValueError or TypeError that names the
argument and no list of C++ types; never an AttributeError, KeyError or IndexError from inside, and never the end of the process.
"""

import inspect
import math
import re
import warnings
from datetime import date
from functools import cache

import matplotlib
import numpy as np
import pandas as pd
import pytest

matplotlib.use("Agg")

from matplotlib import pyplot
from test_golden import DYAR, MADE, collection, fit, grown, made, pairs, plan, stadia

import moltspan
from moltspan._frames.result import Result
from moltspan.stadia.score import LogNormalMixture

# Values that are wrong for most arguments: of every type, and at the ends of numbers. Callables, as frames may be changed by who gets them.
WRONG = (
    lambda: None, lambda: "", lambda: "no such word", lambda: "\x1b]0;x\x07", lambda: b"bytes", lambda: 0, lambda: -1, lambda: 95, lambda: 2**31,
    lambda: 10**400, lambda: -0.5, lambda: 1.5, lambda: math.nan, lambda: math.inf, lambda: 1e300, lambda: 1e-300, lambda: True, lambda: 1j, lambda: object(),
    lambda: [], lambda: [1, "x"], lambda: [None], lambda: [[1, 2], [3]], lambda: {"a": 1}, lambda: {1}, lambda: np.zeros((2, 2, 2)),
    lambda: np.array(3.0), lambda: pd.DataFrame(), lambda: pd.DataFrame({"a": [1]}), lambda: pd.Series(["x"]), lambda: date(9000, 1, 1), lambda: pd.NaT,
    lambda: int, lambda: "2026-13-45", lambda: ("normal",), lambda: {"sigma": 3}, lambda: {"sigma": ("normal", "x", None)},
)
UNIT = re.compile("_(mm|days|c|log)$")  # a row's message names the column: "row 3, size = 'x'" for `sizes_mm`


@cache
def few():
    return moltspan.simulate_collection(seed=5, n_animals=3, study_days=400)[0]


# What an answer may say in place of the argument's name, where it says more: a table that lacks a column, values that are right but not enough.
SAID_INSTEAD = {"sex_ratio": "sex", "instar_table": "size names the column of sizes", "backtest": "too short to look back on", "plot_fan": "the table has no column", "GrowthFit.degrees_of_freedom": "choose one of",
                "IncrementFit.breakpoint": "the line is not bent", "IncrementFit.project": "check its coefficients", "thermal_sum_fit": "different temperatures",
                "temperature_effect.ratio": "not of groups", "StadiaFit_bayes.predict": "predict is for the result of fit_stadia"}
# The right call of each public function, quick to answer.
SIZES = [2.0, 2.1, 2.6, 2.7, 3.3, 3.4]
LAW = LogNormalMixture([1.0], [4.0], [0.2])
RIGHT = {
    "Collection": {"animals": lambda: pd.DataFrame({"animal": ["A"]}), "journal": lambda: pd.DataFrame({"animal": ["A"], "date": ["2026-01-05"], "event": ["molt"]})},
    "labels": {"collection": lambda: plan().fit.collection}, "growth_record": {"collection": lambda: plan().fit.collection, "animal": "P1"},
    "keep_forecast": {"fit": lambda: plan().fit, "folder": "/nonexistent"}, "kept_forecasts": {"folder": "/nonexistent"}, "plot_kept": {"kept": lambda: made("KeptForecasts")},
    "read": {"folder": "/nonexistent"}, "start": {"folder": "/dev/null/x"}, "import_table": {"table": lambda: pd.DataFrame({"name": ["A"], "molt 1": ["2026-01-05"]})},
    "fit_stadia": {"table": stadia, "threads": 1}, "fit_growth": {"table": grown}, "dyar_fit": {"instars": DYAR[0], "sizes_mm": DYAR[1]},
    "molts_to_reach": {"size_mm": 20, "start_mm": 10, "ratio": 1.3}, "increment_fit": {"pre_mm": DYAR[1][:-1], "post_mm": DYAR[1][1:]},
    "increment_model": {"kind": "hiatt"}, "period_model": {"kind": "linear"},
    "project_molts": {"start_mm": 10, "increment": lambda: made("IncrementFit")},
    "slope_factors": {"sizes_mm": DYAR[1]}, "instar_mixture": {"sizes_mm": SIZES, "n_instars": 2, "threads": 1},
    "fit": {"collection": lambda: plan().fit.collection, "threads": 1}, "forecast_document": {"fit": lambda: plan().fit},
    "rehouse_document": {"fit": lambda: plan().fit}, "stadium_npmle": {"min_days": [20, 25, 31], "max_days": [22, 27, None]},
    "kaplan_meier": {"min_days": [20, 25, 25], "max_days": [20, 25, None]}, "stadium_medians": {"table": stadia, "resamples": 5},
    "compare_stadia": {"table": stadia, "by": "sex"}, "molt_incidence": {"table": stadia, "by": "sex"},
    "maturity": {"collection": collection, "resamples": 5}, "growth_ratio": {"before": [2.0, 3.0], "after": [2.6, 4.0]},
    "instar_table": {"source": collection, "resamples": 5}, "stadium_effects": {"table": stadia, "by": "sex"}, "temperature_effect": {"table": stadia},
    "growth_effects": {"table": lambda: grown().assign(g=["a"] * 8 + ["b"] * 8), "by": "g"}, "growth_document": {"collection": collection},
    "specific_growth_rate": {"before": [2.0, 3.0], "after": [2.6, 4.0], "days": [20, 30]}, "sex_ratio": {"sexes": ["female", "male", "m"]},
    "q10": {"rate_1": 0.02, "rate_2": 0.03, "temperature_1_c": 20, "temperature_2_c": 25},
    "thermal_sum_fit": {"temperature_c": [18, 21, 24, 27], "days": [60, 45, 37, 30], "bootstrap": 5},
    "belehradek_fit": {"temperature_c": [18, 21, 24, 27], "days": [60, 45, 37, 30]},
    "briere_fit": {"temperature_c": [18, 21, 24, 27, 30, 33], "days": [60, 45, 37, 30, 28, 40]},
    "Belehradek": {"a": 500, "b_c": 10}, "Briere": {"a": 1e-5, "lower_c": 10, "upper_c": 36}, "allometry_fit": {"table": pairs, "y": "y", "x": "x"},
    "crps": {"y_days": 50, "mean_log": 4, "sd_log": 0.2}, "log_score": {"forecast": LAW, "min_days": 50},
    "interval_score": {"y_days": 50, "lower": 40, "upper": 60, "level": 0.8}, "pit": {"forecast": LAW, "min_days": 50},
    "pit_histogram": {"pits": [(0.2, 0.3), (0.5, 0.5)]}, "covered_share": {"forecast": LAW, "min_days": 40, "max_days": 60, "lower": 45, "upper": 70},
    "clustered_mean": {"values": [1, 2, 3], "cluster": ["a", "a", "b"]}, "report": {"collection_or_fit": lambda: plan().fit},
    "backtest": {"collection": few, "origins": 1}, "simulate_collection": {"n_animals": 3}, "simulate_stadia": {"n_animals": 3},
    "draw_prior_truth": {"priors": {"sigma": ("uniform", 0.1, 0.3)}}, "study_power": {"n_animals": 3, "replicates": 1},
    "plot_calendar": {"forecast": lambda: plan().fit}, "plot_next_molt": {"fit": lambda: plan().fit, "animal": "P1"},
    "plot_stadia": {"fit": lambda: plan().fit}, "plot_survival": {"result": lambda: made("StadiumNpmle")},
    "plot_growth": {"fit": lambda: made("DyarFit")}, "plot_increments": {"fit": lambda: made("IncrementFit")},
    "plot_instars": {"mixture": lambda: made("InstarMixture")}, "plot_fan": {"quantiles": lambda: made("Trajectory").fan()},
    "plot_backtest": {"backtest": lambda: made("Backtest")}, "plot_residuals": {"fit": lambda: made("StadiaFit_ml")},
    "plot_random_effects": {"fit": lambda: made("StadiaFit_ml")}, "plot_predictive_check": {"fit": lambda: made("StadiaFit_ml"), "resamples": 5},
    "plot_prior_posterior": {"fit": fit}, "plot_families": {"fits": lambda: [made("StadiaFit_ml")]},
    "plot_comparison": {"table": lambda: made("stadium_effects")}, "plot_by_instar": {"table": lambda: made("instar_table")},
    "plot_temperature": {"fit": lambda: made("thermal_sum_fit")},
}
NOT_CALLED = {"RecordFault", "StadiaFit", "GrowthFit", "GrowthBayesFit", "CollectionFit", "Trajectory", "Trajectories", "RehousePlan", "KeptForecasts", "ImportedTable", "Backtest", "kinds"}
METHODS = {  # what a method needs besides
    "predict": {"table": stadia}, "log_likelihood_at": {"parameters": [4.0, 0.1]}, "fit": {"animal": "A<1"}, "chance_molt_before": {"animal": "P1", "day": "2026-06-01"},
    "trajectory": {"animal": "P1", "draws": 20}, "trajectories": {"draws": 20}, "first_passage": {"leg_span_mm": 120}, "molts_to_reach": {"size_mm": 20},
    "project": {"start_mm": 10}, "predict_pre": {"post_mm": [5.0]}, "assign": {"sizes_mm": SIZES}, "bootstrap_tests": {"replicates": 1, "threads": 1},
    "quantile": {"p": 0.5}, "ratio": {"over": "male", "under": "female"}, "interval": {}, "size_after": {"animal": "S1"},
}
EACH = 16  # wrong values for each argument, drawn anew for each
SLOW = {"plot_predictive_check": 8, "plot_prior_posterior": 6, "backtest": 8, "maturity": 10, "instar_table": 10, "growth_document": 8, "report": 8, "study_power": 6,
        "growth_effects": 10}


def value_of(value):
    return value() if callable(value) and not isinstance(value, type) else value


def calls():
    """(where, function, right arguments)"""
    for name, right in RIGHT.items():
        yield name, getattr(moltspan, name), right
    for name in MADE:
        result = made(name)
        for method, member in inspect.getmembers(type(result), inspect.isfunction):
            if method.startswith("_") or len(inspect.signature(member).parameters) < 2:
                continue
            right = METHODS.get(method, {})
            if name.startswith("Growth") and method == "predict":
                right = {"table": grown}
            elif name in ("DyarFit", "IncrementFit") and method == "predict":
                right = {"instars": [1, 2]} if name == "DyarFit" else {"pre_mm": [2.0, 3.0]}
            elif method == "interval" and "name" in inspect.signature(member).parameters:
                right = {"name": "threshold_c"}
            known = inspect.signature(member).parameters
            yield f"{name}.{method}", getattr(result, method), {key: value for key, value in right.items() if key in known}


def wrong_calls():
    rng = np.random.default_rng(12)
    for where, function, right in calls():
        for name, parameter in inspect.signature(function).parameters.items():
            kinds = (inspect.Parameter.VAR_POSITIONAL, inspect.Parameter.VAR_KEYWORD)
            if parameter.kind in kinds or name in ("progress", "file", "out"):
                continue
            some = SLOW.get(where, EACH)
            for i in rng.permutation(len(WRONG))[:some]:
                yield where, function, right, name, WRONG[i]


def trouble_with(where, function, right, name, wrong):
    """What is wrong with the answer; blank where nothing is."""
    value = wrong()
    arguments = {key: value_of(given) for key, given in right.items()} | {name: value}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            function(**arguments)
    except (ValueError, TypeError, OSError) as error:
        said = str(error)
        if "incompatible" in said or "Invoked with" in said or "std::" in said:
            return f"a list of C++ types: {said[:150]}"
        # a single argument of another size leaves the others out of step: then either may be named
        if SAID_INSTEAD.get(where, "\0") in said:
            return ""
        if isinstance(error, OSError) or UNIT.sub("", name).rstrip("s") in said or any(UNIT.sub("", other).rstrip("s") in said for other in right):
            return ""
        return f"{name} is not named: {type(error).__name__}: {said[:200]}"
    except KeyError as error:  # a look-up that lists what there is
        return "" if re.search(": the (pairs are|curve has)", str(error)) else f"KeyError from inside: {error}"
    except Exception as error:
        return f"{type(error).__name__} from inside: {str(error)[:200]}"
    finally:
        if where.startswith("plot_"):
            pyplot.close("all")
    return ""


def test_wrong_calls_are_told_what_is_wrong(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # `start` takes many a wrong value as the name of a folder
    found, n = [], 0
    for where, function, right, name, wrong in wrong_calls():
        n += 1
        trouble = trouble_with(where, function, right, name, wrong)
        if trouble:
            found.append(f"{where}({name}={str(wrong())[:40]!r}): {trouble}")
    assert n > 5000 and not found, f"{len(found)} of {n}:\n" + "\n".join(found[:60])


def test_all_public_functions_are_called_wrongly():
    assert set(moltspan._HOMES) == set(RIGHT) | NOT_CALLED
