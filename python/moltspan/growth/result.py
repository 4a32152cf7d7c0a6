"""What the results of `fit_growth` share, whatever the method."""

import numpy as np

from moltspan import _core
from moltspan._frames.result import Result


class GrowthResult(Result):
    """Estimates of a mixed model of growth."""

    _title = "Growth"

    @property
    def coefficients(self):
        """Name -> estimate; `Intercept`, columns as in the formula, factors as `sex[male]`, `measure[carapace]`."""
        return dict(zip(self._core.coefficients, self._core.beta.tolist(), strict=True))

    @property
    def standard_errors(self):
        """Name -> standard error, the roots of the diagonal of `covariance`."""
        return dict(zip(self._core.coefficients, _core.standard_errors(self._core.covariance).tolist(), strict=True))

    @property
    def covariance(self):
        """Covariance of the coefficients, a frame named on both sides."""
        return _square(self._core.covariance, self._core.coefficients)

    @property
    def animal_covariance(self):
        """Covariance of the effects of an animal, a frame named on both sides."""
        return _square(self._core.effect_covariance, self._core.effects)

    @property
    def animal_effects(self):
        """Likeliest effects of the animals (under bayes posterior means), a frame with a row an animal."""
        import pandas

        labels = list(self._labels["animal"]) if self._core.effects else []
        return pandas.DataFrame(self._effects_of_animals(), index=labels, columns=self._core.effects)

    n_readings = property(lambda self: self._core.n_rows)
    n_animals = property(lambda self: self._core.n_groups)

    def _check_ratio(self, coefficient, against):
        if coefficient not in self.coefficients:
            raise ValueError(f"coefficient={coefficient!r}: the fit has {', '.join(self.coefficients)}")
        if not against > 0:
            raise ValueError(f"against={against!r}: a ratio is above 0, for example 1.26")


def _square(values, names):
    import pandas

    return pandas.DataFrame(values, index=names, columns=names)
