"""Forecasts with honest bands from the records of molting arthropods.

    collection = moltspan.read("my_folder")
    print(collection.problems())
    fit = moltspan.fit(collection)
    print(fit.forecast())

Importing this package loads numpy and the compiled core only; the rest is loaded when it is first used.
"""

import importlib
import inspect
import sys


def _why_no_core(trouble):
    if "cannot import name" in trouble or "No module named" in trouble:
        return ("the compiled part of moltspan (_core) is missing or was built for another Python; install the package with "
                "`pip install .`, or build it with CMake and put build/pkg on PYTHONPATH")
    library, found, _ = trouble.partition(": cannot open shared object file")
    if found:
        return (f"the compiled part of moltspan needs the shared library {library}, which is not on this machine; install the package of "
                "your system that holds it (on Debian `demo/run` installs all of them), or build moltspan anew with `pip install .`")
    return f"the compiled part of moltspan (_core) is there but cannot be loaded: {trouble}; build it anew with `pip install .`"


try:
    from moltspan import _core
except ImportError as trouble:
    raise ImportError(_why_no_core(str(trouble))) from trouble

__version__ = _core.__version__


class MoltspanWarning(UserWarning):
    """What a user should know about an answer that is given all the same."""


# Public name -> module that defines it.
_HOMES = {
    "Collection": "records.records",
    "RecordFault": "records.records",
    "read": "records.records",
    "start": "records.new_folder",
    "import_table": "records.records",
    "ImportedTable": "records.import_table",
    "fit_stadia": "stadia.intervals",
    "StadiaFit": "stadia.intervals",
    "fit_growth": "growth.growth",
    "GrowthFit": "growth.growth",
    "GrowthBayesFit": "growth.bayes",
    "dyar_fit": "growth.lines",
    "molts_to_reach": "growth.lines",
    "increment_fit": "growth.increments",
    "increment_model": "growth.increments",
    "period_model": "growth.increments",
    "project_molts": "growth.increments",
    "slope_factors": "growth.increments",
    "instar_mixture": "growth.instars",
    "fit": "collection.fit",
    "CollectionFit": "collection.fit",
    "forecast_document": "collection.fit",
    "Trajectory": "collection.trajectory",
    "Trajectories": "collection.trajectory",
    "RehousePlan": "collection.housing",
    "rehouse_document": "collection.housing",
    "stadium_npmle": "stadia.nonparametric",
    "kaplan_meier": "stadia.nonparametric",
    "stadium_medians": "stadia.nonparametric",
    "compare_stadia": "stadia.comparison",
    "molt_incidence": "stadia.incidence",
    "maturity": "stadia.incidence",
    "growth_ratio": "group.group",
    "kinds": "records.kinds",
    "instar_table": "group.tables",
    "stadium_effects": "group.effects",
    "temperature_effect": "group.effects",
    "growth_effects": "group.effects",
    "growth_document": "group.growth",
    "specific_growth_rate": "group.group",
    "sex_ratio": "group.group",
    "q10": "group.temperature",
    "thermal_sum_fit": "group.temperature",
    "belehradek_fit": "group.temperature",
    "briere_fit": "group.temperature",
    "Belehradek": "group.temperature",
    "Briere": "group.temperature",
    "allometry_fit": "group.allometry",
    "crps": "stadia.score",
    "log_score": "stadia.score",
    "interval_score": "stadia.score",
    "pit": "stadia.score",
    "pit_histogram": "stadia.score",
    "covered_share": "stadia.score",
    "clustered_mean": "stadia.score",
    "report": "report.report",
    "labels": "collection.handover",
    "growth_record": "collection.handover",
    "keep_forecast": "collection.kept",
    "kept_forecasts": "collection.kept",
    "KeptForecasts": "collection.kept",
    "backtest": "collection.backtest",
    "Backtest": "collection.backtest",
    "simulate_collection": "records.simulate",
    "simulate_stadia": "records.simulate",
    "draw_prior_truth": "records.simulate",
    "study_power": "stadia.study",
    "plot_calendar": "plot.calendar",
    "plot_next_molt": "plot.stadia",
    "plot_kept": "plot.kept",
    "plot_stadia": "plot.stadia",
    "plot_survival": "plot.stadia",
    "plot_growth": "plot.growth",
    "plot_increments": "plot.growth",
    "plot_instars": "plot.growth",
    "plot_fan": "plot.growth",
    "plot_backtest": "plot.checks",
    "plot_residuals": "plot.checks",
    "plot_random_effects": "plot.checks",
    "plot_predictive_check": "plot.checks",
    "plot_prior_posterior": "plot.checks",
    "plot_families": "plot.checks",
    "plot_comparison": "plot.groups",
    "plot_by_instar": "plot.groups",
    "plot_temperature": "plot.groups",
}


def __getattr__(name):
    home = _HOMES.get(name) or ("plot.calendar" if name.startswith("plot_") else None)
    if home is None:
        raise AttributeError(f"module 'moltspan' has no attribute {name!r}")
    try:
        value = getattr(importlib.import_module(f"moltspan.{home}"), name)
    except ModuleNotFoundError as trouble:
        if trouble.name != f"moltspan.{home}":
            raise
        raise AttributeError(f"moltspan.{name} is not part of this version") from None
    if inspect.isfunction(value) and not hasattr(value, "_checked"):
        from moltspan._frames.calls import checked

        value = checked(value)
        setattr(sys.modules[f"moltspan.{home}"], name, value)  # other processes find it by its name
    globals()[name] = value
    return value


class _Package(type(importlib)):
    """Keeps a function from being hidden behind the subpackage of the same name (`report`)."""

    def __setattr__(self, name, value):
        if not (name in _HOMES and isinstance(value, type(importlib))):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __dir__():
    return sorted({*globals(), *_HOMES})
