"""A formula over a user's own columns of the animals, as covariates of the fit of a collection: `treatment + (1|tub) + log_size:sex`."""

import re

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.formula import Design, _parse, _right_side

OF_THE_MODEL = ("log_size", "warmth_c", "warmth_squared", "male", "near_adult_female", "pace_slow", "pace_fast", "limb_lost", "egg_sac")
_GROUP = re.compile(r"\(\s*1\s*\|\s*(\w+)\s*\)")


def own_covariates(collection, formula, method):
    """(covariates for the core, priors of those that need one) from the columns of the animals.

    Terms of the fit's own covariates alone are in the model where the records hold them, and are passed over; a product of one of them with a
    column of the animals (`log_size:sex`) is a slope that differs. `(1|tub)`: an effect of each tub, drawn towards none, its sd learned as
    `tub_sd`. All else as in moltspan._frames.formula, whose ValueErrors name what cannot be read; animals are rows in the order of `animals.csv`.
    """
    columns, n = _columns_by_animal(collection)
    groups = _GROUP.findall(formula)
    if groups and method != "bayes":
        raise ValueError(f"formula {formula!r}: (1|{groups[0]}) needs method=\"bayes\", which learns its sd")
    rest = re.sub(r"\+\s*(?=\+|$)", "", _GROUP.sub("", formula)).strip().removeprefix("+").strip()
    covariates = [one for name in groups for one in _of_group(name, columns, n)]
    priors = {}
    for times, term in _split(_parse(_right_side(rest, None, ""))[0]) if rest else []:
        design = Design(":".join(term), columns)
        for name, values in design._product(term, columns, False):
            covariates.append(_core.OwnCovariate(f"{times}:{name}" if times else name, values, times, ""))
            if not times and not set(np.unique(values)) <= {0.0, 1.0} and np.std(values) > 0:
                priors[name] = ("normal", 0.0, 1 / float(np.std(values)))
    return covariates, priors


def _columns_by_animal(collection):
    animals = collection._core_collection.animals
    given = collection._animal_columns()
    return {str(name): [values[animal.row] for animal in animals] for name, values in given.items()}, len(animals)


def _split(terms):
    """(covariate of the model or blank, factors among the user's columns) of each term that has any."""
    for term in terms:
        own = [factor for factor in term if factor not in OF_THE_MODEL]
        times = [factor for factor in term if factor in OF_THE_MODEL]
        if len(times) > 1:
            raise ValueError(f"formula: {':'.join(term)} is a product of {' and '.join(times)}; at most one of the model's own may stand in it")
        if own:
            yield (times[0] if times else ""), own


def _of_group(name, columns, n):
    if name not in columns:
        raise ValueError(f"formula: there is no column {name!r}; the animals have {', '.join(columns)}")
    values = [frames.text_of(value) for value in columns[name]]
    levels = sorted({value for value in values if value})
    if len(levels) < 2:
        raise ValueError(f"formula: (1|{name}) needs two groups at least; the column holds {', '.join(levels) or 'nothing'}")
    return [_core.OwnCovariate(f"{name}[{level}]", [float(value == level) for value in values], "", f"{name}_sd") for level in levels]
