"""The growth model of a collection: `fit(collection).growth`."""

import math

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.result import Health, html_table, text_table

LEVELS = ("genus", "taxon", "cohort", "animal")


class GrowthModel:
    """Posterior of how the animals of a collection grow from molt to molt; nothing in it can be changed.

    `log(size / 20 mm)` walks along the molts by a log ratio with effects of genus, taxon, cohort and animal; leg spans are taken as read
    low by 5 %, with a relative error that is learned, and as known no better than their rounding; other measures count through their
    learned ratio to leg span. `form` says whether a ratio that falls with size fits better: "declining", else "constant", and
    `declining_weight` how much of the posterior weight it has against the constant one (NaN where too few molts tell).
    """

    def __init__(self, fit):
        object.__setattr__(self, "_fit", fit)
        object.__setattr__(self, "_core", fit._core.growth)

    def __setattr__(self, name, value):
        raise AttributeError("a fit cannot be changed; fit again")

    __delattr__ = __setattr__

    @property
    def form(self):
        return self._core.form.name

    @property
    def declining_weight(self):
        return self._core.declining_weight

    @property
    def health(self):
        """What to know before using the numbers."""
        return Health.of(self._core.health)

    @property
    def estimates(self):
        """name -> (posterior mean, sd): `log_ratio` (at 20 mm), `decline` (a log unit of size), spreads, log ratios between measures."""
        core = self._core
        found = {"log_ratio": core.log_ratio}
        if self.form == "declining":
            found["decline"] = core.decline
        found |= dict(zip(core.spread_names, core.spreads, strict=True)) | dict(zip(core.parameter_names, core.parameters, strict=True))
        return {name: (estimate.mean, estimate.sd) for name, estimate in found.items()}

    def ratios(self, level="taxon"):
        """A row a member of "genus", "taxon", "cohort" or "animal": growth `ratio` a molt at 20 mm, `log_ratio` and its `log_ratio_sd`."""
        if level not in LEVELS:
            raise ValueError(f"level={level!r}: choose one of {', '.join(map(repr, LEVELS))}")
        rows = self._core.member_log_ratio[LEVELS.index(level)]
        names = self._fit._core.group_names[LEVELS.index(level)]
        columns = {level: [names[code] for code, _ in rows], "ratio": [math.exp(estimate.mean) for _, estimate in rows],
                   "log_ratio": [estimate.mean for _, estimate in rows], "log_ratio_sd": [estimate.sd for _, estimate in rows]}
        return frames.frame_of(columns, self._fit.collection._kind)

    def sizes(self):
        """A row an animal and instar: `molts_before` (recorded molts before it), smoothed `leg_span_mm` (posterior median, without the
        longer legs of mature males), `log_sd`, `measured` (read in that instar)."""
        columns = {"animal": [], "molts_before": [], "leg_span_mm": [], "log_sd": [], "measured": []}
        for animal, sizes in zip(self._fit._core.group_names[3], self._core.sizes, strict=True):
            for k, size in enumerate(sizes):
                row = (animal, k, 20 * math.exp(size.mean), math.sqrt(size.variance), size.measured)
                for column, value in zip(columns.values(), row, strict=True):
                    column.append(value)
        return frames.frame_of(columns, self._fit.collection._kind)

    def size_after(self, animal, molts=1, level=0.8):
        """Leg span in mm after the next `molts` molts of an animal: a row a molt, `median`, `lower`, `upper`. No random numbers."""
        names = self._fit._core.group_names[3]
        if animal not in names:
            raise ValueError(f"animal={animal!r}: the collection has no such animal")
        mixture = _core.size_after(self._core, names.index(animal), molts)
        quantiles = 20 * _core.mixture_quantiles(_core.Family.lognormal, mixture, [0.5, 0.5 - level / 2, 0.5 + level / 2])
        columns = {"molts_ahead": list(range(1, molts + 1))} | {name: quantiles[:, i] for i, name in enumerate(("median", "lower", "upper"))}
        return frames.frame_of(columns, self._fit.collection._kind)

    def _facts(self):
        core = self._core
        weight = "" if math.isnan(self.declining_weight) else f" (weight of a declining one {self.declining_weight:.2f})"
        return [("model", f"log size along the molts, {self.form} ratio{weight}"),
                ("readings", f"{core.n_readings} of {core.n_animals_read} animals, {core.n_rounded} as rounding intervals"),
                ("ratio a molt", f"{math.exp(core.log_ratio.mean):.3f} at 20 mm"), ("health", str(self.health))]

    def _rows(self):
        return [(name, f"{mean:.5g}", f"{sd:.3g}") for name, (mean, sd) in self.estimates.items()]

    def summary(self):
        """The fit as text."""
        return "\n".join(f"{name}: {value}" for name, value in self._facts()) + "\n" + text_table(("", "posterior mean", "sd"), self._rows())

    __repr__ = summary

    def _repr_html_(self):
        return html_table("Growth", self._facts(), ("", "posterior mean", "sd"), self._rows())
