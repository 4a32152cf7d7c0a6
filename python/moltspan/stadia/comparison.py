"""Do groups differ in stadium length, no family of distributions assumed: `compare_stadia`. Records are written as in `nonparametric`."""

from types import MappingProxyType

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.stadia.intervals import check_level, choice
from moltspan.stadia.nonparametric import RESAMPLES, Records, _npmle, _number
from moltspan._frames.result import Health, Result, design_fact
from moltspan.stadia.rows import in_unit

SCORES = ("sun", "finkelstein")


def compare_stadia(table, by, *, max_days=None, entry_days=None, weights=None, animal=None, strata=None, scores="sun", permutations=0,
                   level=0.95, assigned=False, resamples=RESAMPLES, seed=1, threads=1, unit=None):
    """Compares stadia of k groups without a family: medians and their differences to the first group first, then a generalized
    log-rank test for interval-censored times.

    `scores`: "sun" (log-rank scores with right-censored times) or "finkelstein" (grouped proportional hazards), from the pooled estimate of
    each of the `strata` (a column). p from chi-square with the variance of permutations of scores within strata, which assumes that
    groups are watched alike; `permutations` > 0 also counts that many. Records of one animal are taken as independent in p, not in
    the limits where `animal` is given. Records without a group are left out and counted. `assigned=True` states that the groups were
    assigned by design; otherwise the result says that it shows association only.
    """
    choice("scores", scores, SCORES), check_level(level)
    records = Records(table, max_days, entry_days, weights, animal, unit)
    groups = {label: rows for label, rows in records.groups(by).items() if all(label)}
    if len(groups) < 2:
        raise ValueError(f"compare_stadia: by={by!r} makes {len(groups)} group; a comparison needs at least two")
    codes = _codes_of(groups, records.n)
    kept = np.flatnonzero(codes >= 0)
    stratum = [] if strata is None else _codes_of(records.groups(strata), records.n)[kept].tolist()
    test = _core.log_rank(records.times(kept), codes[kept].tolist(), stratum, getattr(_core.Scores, scores), permutations, seed)
    fits = {" / ".join(label): _npmle(records, members) for label, members in groups.items()}
    differences = _differences(fits, level, resamples, seed, threads)
    return StadiaComparison(_core=test, fits=MappingProxyType(fits), _differences=differences, _kind=records.kind,
                            _notes=records.notes(), unit=records.unit,
                            asked=MappingProxyType({"scores": scores, "strata": strata, "level": level, "permutations": permutations,
                                                    "assigned": assigned, "left_out": len(records.kept) - len(kept)}))


def _codes_of(groups, n):
    """Code of the group of each row; -1: in none."""
    codes = np.full(n, -1)
    for code, members in enumerate(groups.values()):
        codes[members] = code
    return codes


def _differences(fits, level, resamples, seed, threads):
    first, *others = fits
    options = {name: fit._options(level, resamples, seed, threads, stream) for stream, (name, fit) in enumerate(fits.items())}
    return {name: _core.quantile_difference(fits[first]._times, fits[name]._times, 0.5, options[first], options[name]) for name in others}


class StadiaComparison(Result):
    """Result of `compare_stadia`: `.frame` (medians, differences, scores), `.chi_square`, `.degrees_of_freedom`, `.p_value`, `.p_permutation`."""

    _title = "Stadia compared, no family assumed"
    chi_square = property(lambda self: self._core.chi_square)
    degrees_of_freedom = property(lambda self: self._core.degrees_of_freedom)
    p_value = property(lambda self: self._core.p_value)
    p_permutation = property(lambda self: self._core.p_permutation, doc="NaN unless permutations were asked for.")

    @property
    def health(self):
        notes = [*self._core.health, *(note for fit in self.fits.values() for note in fit._core.health if note.state.name != "good")]
        return Health.of(notes, self.unit).with_notes(self._notes)

    @property
    def frame(self):
        """A row a group: `group, n, median_days, open_low, open_high, difference_days, lower, upper, score`; the first group is the base."""
        medians = [fit.median() for fit in self.fits.values()]
        gaps = [self._differences.get(name) for name in self.fits]
        columns = {"group": list(self.fits), "n": np.array(self._core.n), "median_days": np.array([m.estimate for m in medians]),
                   "open_low": np.array([m.low for m in medians]), "open_high": np.array([m.high for m in medians])}
        for name, part in (("difference_days", "estimate"), ("lower", "lower"), ("upper", "upper")):
            columns[name] = np.array([getattr(gap, part) if gap else 0.0 for gap in gaps])
        return frames.frame_of(columns | {"score": np.array(self._core.score)}, self._kind)

    def _facts(self):
        left_out = f"; {self.asked['left_out']} records without a group left out" if self.asked["left_out"] else ""
        return [("differences", f"of medians to the first group, {self.asked['level'] * 100:g} % bootstrap limits{left_out}"),
                design_fact(self.asked["assigned"]), ("test", self._test_line()), ("health", str(self.health))]

    def _test_line(self):
        permuted = "" if np.isnan(self.p_permutation) else f"; of {self.asked['permutations']} permutations: {self.p_permutation:.4g}"
        strata = f", within strata of {self.asked['strata']}" if self.asked["strata"] else ""
        return (f"generalized log-rank test, {self.asked['scores']} scores, permutation variance{strata}: chi-square {self.chi_square:.4f}, "
                f"{self.degrees_of_freedom} df, p = {self.p_value:.4g}{permuted}")

    def _numbers(self):
        return frames.columns_of(self.frame)

    def _table(self):
        columns = frames.columns_of(self.frame)
        rows = [tuple(row[0:1]) + tuple(_number(value) for value in row[1:]) for row in zip(*columns.values(), strict=True)]
        return [in_unit(name, self.unit) for name in columns], rows
