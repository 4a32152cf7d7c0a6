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
    "Collection": "records",
    "RecordFault": "records",
    "read": "records",
    "start": "new_folder",
    "import_table": "import_table",
    "ImportedTable": "import_table",
    "fit_stadia": "intervals",
    "StadiaFit": "intervals",
    "fit_growth": "growth",
    "GrowthFit": "growth",
    "GrowthBayesFit": "growth_bayes",
    "dyar_fit": "growth_lines",
    "molts_to_reach": "growth_lines",
    "increment_fit": "growth_increments",
    "increment_model": "growth_increments",
    "period_model": "growth_increments",
    "project_molts": "growth_increments",
    "slope_factors": "growth_increments",
    "instar_mixture": "instars",
    "fit": "collection_fit",
    "CollectionFit": "collection_fit",
    "forecast_document": "collection_fit",
    "Trajectory": "forecast_trajectory",
    "Trajectories": "forecast_trajectory",
    "RehousePlan": "housing",
    "rehouse_document": "housing",
    "stadium_npmle": "nonparametric",
    "kaplan_meier": "nonparametric",
    "stadium_medians": "nonparametric",
    "compare_stadia": "nonparametric_comparison",
    "molt_incidence": "nonparametric_incidence",
    "maturity": "nonparametric_incidence",
    "growth_ratio": "group",
    "kinds": "kinds",
    "instar_table": "group_tables",
    "stadium_effects": "group_effects",
    "temperature_effect": "group_effects",
    "growth_effects": "group_effects",
    "growth_document": "group_growth",
    "specific_growth_rate": "group",
    "sex_ratio": "group",
    "q10": "group_temperature",
    "thermal_sum_fit": "group_temperature",
    "belehradek_fit": "group_temperature",
    "briere_fit": "group_temperature",
    "Belehradek": "group_temperature",
    "Briere": "group_temperature",
    "allometry_fit": "group_allometry",
    "crps": "score",
    "log_score": "score",
    "interval_score": "score",
    "pit": "score",
    "pit_histogram": "score",
    "covered_share": "score",
    "clustered_mean": "score",
    "report": "report",
    "labels": "handover",
    "growth_record": "handover",
    "keep_forecast": "kept",
    "kept_forecasts": "kept",
    "KeptForecasts": "kept",
    "backtest": "backtest",
    "Backtest": "backtest",
    "simulate_collection": "simulate",
    "simulate_stadia": "simulate",
    "draw_prior_truth": "simulate",
    "study_power": "study",
    "plot_calendar": "plots",
    "plot_next_molt": "plots_stadia",
    "plot_kept": "plots_kept",
    "plot_stadia": "plots_stadia",
    "plot_survival": "plots_stadia",
    "plot_growth": "plots_growth",
    "plot_increments": "plots_growth",
    "plot_instars": "plots_growth",
    "plot_fan": "plots_growth",
    "plot_backtest": "plots_checks",
    "plot_residuals": "plots_checks",
    "plot_random_effects": "plots_checks",
    "plot_predictive_check": "plots_checks",
    "plot_prior_posterior": "plots_checks",
    "plot_families": "plots_checks",
    "plot_comparison": "plots_groups",
    "plot_by_instar": "plots_groups",
    "plot_temperature": "plots_groups",
}


def __getattr__(name):
    home = _HOMES.get(name) or ("plots" if name.startswith("plot_") else None)
    if home is None:
        raise AttributeError(f"module 'moltspan' has no attribute {name!r}")
    try:
        value = getattr(importlib.import_module(f"moltspan.{home}"), name)
    except ModuleNotFoundError as trouble:
        if trouble.name != f"moltspan.{home}":
            raise
        raise AttributeError(f"moltspan.{name} is not part of this version") from None
    if inspect.isfunction(value) and not hasattr(value, "_checked"):
        from moltspan.calls import checked

        value = checked(value)
        setattr(sys.modules[f"moltspan.{home}"], name, value)  # other processes find it by its name
    globals()[name] = value
    return value


class _Package(type(importlib)):
    """Keeps a function from being hidden behind the submodule of the same name (`backtest`, `report`) that holds it."""

    def __setattr__(self, name, value):
        if not (_HOMES.get(name) == name and isinstance(value, type(importlib))):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __dir__():
    return sorted({*globals(), *_HOMES})
