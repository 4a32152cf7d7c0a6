"""Stadium lengths without a family of distributions: Turnbull's estimate, Kaplan-Meier, medians by group.

Convention of all functions here and in `nonparametric_comparison`, `nonparametric_incidence`: a record says that T lies in (min_days, max_days]; `max_days` blank = the end was not seen; `min_days`
blank or 0 = left-censored; `min_days == max_days` = exact, the interval (t-, t]; `entry_days` > 0 = watched only from that age on. Rows of a table
whose `molts_spanned` is not 1 (see `Collection.stadia()`) are no stadia: left out and counted. `unit` names the unit of the lengths, else their column does.
"""

from types import MappingProxyType

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.stadia.intervals import _codes, _column, check_level
from moltspan._frames.result import Health, Result
from moltspan.stadia.rows import in_unit, rows_note, several_molts, unit_of

CONVENTION = "intervals (left, right]; left = right: exact, (t-, t]"
SUPPORT = "innermost intervals (Turnbull) whose right ends are record ends or entry times (Frydman)"
RESAMPLES = 400


def _number(value, digits=4):
    if value is None or np.isnan(value):
        return "-"
    return "not reached" if np.isinf(value) else f"{value:.{digits}g}"


def _range(low, high):
    return f"{_number(low)} .. {_number(high)}"


class Records:
    """Bounds of times as the core takes them, with the columns that came along. From a table, or from vectors.

    `kept`: the rows that are one stadium; `rows_out`: the number of the others.
    """

    def __init__(self, min_days, max_days, entry_days, weights, animal=None, unit=None):
        self.columns, self.kind = {}, "pandas"
        self.unit = unit_of(unit, max_days, min_days)
        if hasattr(min_days, "columns") and hasattr(min_days, "shape"):
            self.kind, self.columns = frames.kind_of(min_days), frames.columns_of(min_days)
            min_days, max_days = "min_days", "max_days" if max_days is None else max_days
            entry_days = "entry_days" if entry_days is None and "entry_days" in self.columns else entry_days
        elif max_days is None:
            raise TypeError("give max_days (blank or inf where the end was not seen), or a table with min_days and max_days")
        self.n = len(next(iter(self.columns.values()), [])) if self.columns else len(np.atleast_1d(min_days))
        self.bounds = [self._numbers(min_days, np.nan, "min_days"), self._numbers(max_days, np.nan, "max_days"),
                       self._numbers(entry_days, 0.0, "entry_days"), self._numbers(weights, 1.0, "weights")]
        several = several_molts(self.columns, self.n)
        self.kept = [row for row in range(self.n) if not several[row]]
        self.rows_out = self.n - len(self.kept)
        self.cluster, self.animals = _codes(self.columns, animal, self.n, "animal")
        self.cluster = [code if code >= 0 else len(self.animals) + row for row, code in enumerate(self.cluster)]

    def _numbers(self, values, blank, argument):
        if isinstance(values, str) or values is None:
            return _column(self.columns, values, self.n, blank, argument)
        return _column(self.columns, np.atleast_1d(values).tolist() if isinstance(values, np.ndarray) else list(values), self.n, blank, argument)

    def times(self, rows):
        return _core.BoundedTimes(*(column[rows] for column in self.bounds))

    def clusters(self, rows):
        return np.asarray(self.cluster, dtype=int)[rows] if len(self.cluster) else np.zeros(0, dtype=int)

    def notes(self, rows_out=None):
        """What health says of the rows that are no stadium."""
        return rows_note(self.rows_out if rows_out is None else rows_out)

    def groups(self, by, rows=None):
        """Label (a tuple) -> rows (of those kept, unless given), in sorted order of the labels; `by`: a column or several, or an array of labels."""
        labels = [self._labels(one) for one in ([by] if isinstance(by, str) or by is None or not _names(by) else by)]
        found = {}
        labels = list(zip(*labels, strict=True))
        for row in self.kept if rows is None else rows:
            found.setdefault(labels[row], []).append(row)
        return dict(sorted(found.items(), key=lambda item: [_sort_key(text) for text in item[0]]))

    def _labels(self, by):
        if by is None:
            return ["all"] * self.n
        values = self.columns.get(by) if isinstance(by, str) else by
        if values is None:
            raise ValueError(f"by={by!r}: the table has no such column; it has {', '.join(self.columns)}")
        if len(values) != self.n:
            raise ValueError(f"by: {len(values)} labels for {self.n} rows")
        return [frames.text_of(value) for value in values]


def _names(by):
    return isinstance(by, (list, tuple)) and all(isinstance(name, str) for name in by)


def _sort_key(text):
    try:
        return (0, float(text), text)
    except ValueError:
        return (1, 0.0, text)


def stadium_npmle(min_days, max_days=None, entry_days=None, weights=None, *, animal=None, given_days=0.0, unit=None):
    """Non-parametric maximum likelihood estimate (Turnbull) of the distribution of T from interval-, right-, left-censored, exact and
    left-truncated records.

    `min_days`, `max_days`, `entry_days`, `weights` (frequencies): vectors; or a table first, with columns of these names. A record says
    that T lies in (min_days, max_days]; blank `max_days` = not seen; 0 or blank `min_days` = left-censored; equal = exact, (t-, t];
    `entry_days` = e: on record only because T > e. Mass lies in innermost intervals only; with late entry their right ends may be entry
    times too (Frydman's correction), and an early time with few at risk decides much: health says so. `given_days=d` gives the law
    of T given T > d instead. `animal`: labels (or a column) of animals, which the bootstrap then draws whole. Ranges of start days
    are taken as part of the bounds. The result acts as a table with the columns `left`, `right`, `mass` of intervals (left, right]
    and has `.survival()`, `.median()`, `.quantile()`, `.band()`, `.gap`, `.health`.
    """
    records = Records(min_days, max_days, entry_days, weights, animal, unit)
    return _npmle(records, records.kept, given_days, records.notes())


def _npmle(records, rows, given_days=0.0, notes=()):
    times = records.times(rows)
    return StadiumNpmle(_core=_core.stadium_npmle(times, given_days), _times=times, _clusters=records.clusters(rows).tolist(),
                        _kind=records.kind, _notes=notes, unit=records.unit,
                        asked=MappingProxyType({"given_days": given_days, "animals": bool(records.cluster)}))


class StadiumNpmle(Result):
    """Result of `stadium_npmle`; also a table of `left`, `right`, `mass`. Nothing in it can be changed."""

    _title = "Stadium lengths, no family assumed"
    left = property(lambda self: np.array(self._core.left), doc="Left ends of the innermost intervals, days.")
    right = property(lambda self: np.array(self._core.right), doc="Right ends, days; infinite for the last where its end was not seen.")
    mass = property(lambda self: np.array(self._core.mass), doc="Share of the stadia that end in each interval; adds up to 1.")
    at_risk = property(lambda self: np.array(self._core.at_risk), doc="Expected number watched and not ended before each interval.")
    gap = property(lambda self: self._core.gap, doc="What is left to gain (KKT): largest derivative of the mean log-likelihood; 0 at the maximum.")
    support_gap = property(lambda self: self._core.support_gap, doc="Largest |derivative| x mass; 0 at the maximum.")
    log_likelihood = property(lambda self: self._core.log_likelihood)
    n_records = property(lambda self: self._core.n_records)
    health = property(lambda self: Health.of(self._core.health, self.unit).with_notes(self._notes))

    @property
    def frame(self):
        """`left`, `right`, `mass`: a new frame of the kind that came in (pandas for vectors)."""
        return frames.frame_of({"left": self.left, "right": self.right, "mass": self.mass}, self._kind)

    def __getitem__(self, key):
        return self.frame[key]

    def __len__(self):
        return len(self._core.mass)

    @property
    def columns(self):
        return self.frame.columns

    def __getattr__(self, name):
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self.frame, name)

    def survival(self, times=None):
        """P(T > t) at `times` (default: all ends of intervals with mass): `days, survival, low, high`. Between `low` and `high` the records
        leave it open; `survival` spreads each interval's mass evenly (NaN within an interval without end).
        """
        times = self._times_or(times)
        found = [_core.survival_at(self._core, t) for t in times]
        return frames.frame_of({"days": times, "survival": np.array([f.estimate for f in found]), "low": np.array([f.low for f in found]),
                                "high": np.array([f.high for f in found])}, self._kind)

    def _times_or(self, times):
        if times is not None:
            return np.atleast_1d(np.asarray(times, dtype=float))
        carries = self.mass > 0
        ends = np.unique(np.concatenate([self.left[carries], self.right[carries]]))
        return ends[np.isfinite(ends)]

    def quantile(self, p=(0.25, 0.5, 0.75), level=0.95, resamples=RESAMPLES, seed=1, threads=1):
        """Days by which a share `p` has ended: `p, days, low, high` (the range that the estimate leaves open), `lower, upper` (bootstrap limits)."""
        p = [float(share) for share in np.atleast_1d(p)]
        limits = _core.quantile_limits(self._times, p, self.asked["given_days"], self._options(level, resamples, seed, threads))
        found = [_core.quantile_days(self._core, share) for share in p]
        return frames.frame_of({"p": np.array(p), "days": np.array([f.estimate for f in found]), "low": np.array([f.low for f in found]),
                                "high": np.array([f.high for f in found]), "lower": np.array(limits.lower), "upper": np.array(limits.upper)},
                               self._kind)

    def median(self):
        """`estimate`, `low`, `high`: median in days and the range that the records leave open. With limits: `.quantile(0.5)`."""
        return _core.quantile_days(self._core, 0.5)

    def band(self, times=None, level=0.95, resamples=RESAMPLES, seed=1, threads=1):
        """Pointwise bootstrap band of P(T > t): `days, survival, lower, upper`. Records (or animals) are drawn with replacement by the
        counter-based generator of `seed`; the open range of each resample lies inside.
        """
        times = self._times_or(times)
        limits = _core.survival_band(self._times, times.tolist(), self.asked["given_days"], self._options(level, resamples, seed, threads))
        estimates = np.array([_core.survival_at(self._core, t).estimate for t in times])
        return frames.frame_of({"days": times, "survival": estimates, "lower": np.array(limits.lower), "upper": np.array(limits.upper)}, self._kind)

    def _options(self, level, resamples, seed, threads, stream=0):
        check_level(level)
        return _core.ResampleOptions(self._clusters, resamples, seed, level, threads, stream)

    def _facts(self):
        core = self._core
        between = "between two days" if self.unit == "days" else "between two bounds"
        kinds = {"exact": core.n_exact, between: core.n_interval, "left-censored": core.n_left, "end not seen": core.n_right,
                 "watched for no time": core.n_silent}
        counted = ", ".join(f"{n} {kind}" for kind, n in kinds.items() if n)
        median = self.median()
        given = f", given T > {core.given_days:g} {self.unit}" if core.given_days else ""
        late = f"; {core.n_truncated} with late entry" if core.n_truncated else ""
        return [("records", f"{core.n_records}: {counted}{late}"), ("convention", CONVENTION), ("support", SUPPORT),
                ("median" + given, f"{_number(median.estimate)} {self.unit}, anywhere in ({_range(median.low, median.high)}]"),
                ("log-likelihood", f"{core.log_likelihood:.6f}; gap {max(core.gap, core.support_gap):.1e} after {core.iterations} steps"),
                ("health", str(self.health))]

    def _numbers(self):
        return frames.columns_of(self.frame)

    def _table(self):
        rows = [(f"({left:g}, {right:g}]" if left < right else f"{left:g}", f"{mass:.5f}", f"{after:.5f}", f"{risk:.4g}")
                for left, right, mass, after, risk in zip(self.left, self.right, self.mass, self._core.survival, self.at_risk, strict=True) if mass > 0]
        if len(rows) > 40:
            rows = [*rows[:20], ("...", "", "", ""), *rows[-20:]]
        return (self.unit, "mass", "survival after", "at risk"), rows


def kaplan_meier(min_days, max_days=None, entry_days=None, weights=None, level=0.95, unit=None):
    """Product-limit estimate with late entry, for exact (`min_days == max_days`) and right-censored records; at risk at t: entry < t <= time.

    Standard errors by Greenwood's formula, limits on the log(-log) scale. Interval-censored records raise ValueError: `stadium_npmle`
    takes them, and gives the same survival on exact records.
    """
    check_level(level)
    records = Records(min_days, max_days, entry_days, weights, unit=unit)
    return KaplanMeier(_core=_core.kaplan_meier(records.times(records.kept), level), _kind=records.kind, n_records=len(records.kept),
                       _notes=records.notes(), unit=records.unit)


class KaplanMeier(Result):
    """Result of `kaplan_meier`."""

    _title = "Kaplan-Meier"
    _names = ("days", "at_risk", "events", "censored", "survival", "standard_error", "lower", "upper")
    health = property(lambda self: Health.of(self._core.health, self.unit).with_notes(self._notes))
    level = property(lambda self: self._core.level)

    @property
    def frame(self):
        """A row a time: `days, at_risk, events, censored, survival, standard_error, lower, upper`."""
        return frames.frame_of({name: np.array(getattr(self._core, name)) for name in self._names}, self._kind)

    def quantile(self, p):
        """`estimate`, and `low`, `high`: where the limits cross (Brookmeyer & Crowley). Infinite = not reached."""
        return _core.quantile_days(self._core, float(p))

    def median(self):
        return self.quantile(0.5)

    def _facts(self):
        median = self.median()
        return [("records", f"{self.n_records}, {sum(self._core.events):g} ended"),
                ("median", f"{_number(median.estimate)} {self.unit}, {self.level * 100:g} %: {_range(median.low, median.high)}"),
                ("limits", "Greenwood, log(-log)"), ("health", str(self.health))]

    def _numbers(self):
        return frames.columns_of(self.frame)

    def _table(self):
        rows = [tuple(f"{value:.5g}" for value in row) for row in zip(*(getattr(self._core, name) for name in self._names), strict=True) if row[2] > 0]
        return (self.unit, *self._names[1:]), rows


def stadium_medians(table, by=None, *, max_days=None, entry_days=None, weights=None, animal=None, level=0.95, resamples=RESAMPLES, seed=1,
                    threads=1, unit=None):
    """Median stadium of each group of a table (such as `Collection.stadia()`), no family assumed: a row a group.

    `by`: a column, a list of columns, or labels. Columns out: those of `by`, `n` (records), `ended`, `median_days`, `open_low`,
    `open_high` (where the median may lie within the estimate), `lower`, `upper` (bootstrap limits at `level`), `health`, `note`. `animal`:
    column whose animals are drawn whole. `note` also counts rows that span several molts. Where `unit` is not days, columns are named by it
    (`median_degree_days`). A group in which no end was seen has a median of infinity; one whose records say nothing, NaN.
    """
    return _medians(Records(table, max_days, entry_days, weights, animal, unit), by, level, resamples, seed, threads)


def _medians(records, by, level, resamples, seed, threads):
    names = [by] if isinstance(by, str) else list(by) if _names(by) else ["group"]
    rows = []
    kept = records.groups(by)
    for label, members in records.groups(by, range(records.n)).items():
        whole = kept.get(label, [])
        row = _median_row(records, whole, level, resamples, seed, threads, records.notes(len(members) - len(whole)))
        rows.append(dict(zip(names, label, strict=True)) | {in_unit(name, records.unit): value for name, value in row.items()})
    return frames.frame_of({name: [row[name] for row in rows] for name in (rows[0] if rows else names)}, records.kind)


def _median_row(records, members, level, resamples, seed, threads, notes=()):
    times = records.times(members)
    ended = int(np.isfinite(np.array(times.max_days)).sum())
    row = {"n": len(members), "ended": ended}
    try:
        fit = _npmle(records, members, notes=notes)
    except ValueError as trouble:
        if "no record says anything" not in str(trouble):
            raise
        said = "; ".join(["no record says anything", *(text for _, _, text in notes)])
        return row | dict.fromkeys(("median_days", "open_low", "open_high", "lower", "upper"), np.nan) | {"health": "bad", "note": said}
    median = fit.median()
    limits = _core.quantile_limits(times, [0.5], 0.0, fit._options(level, resamples, seed, threads))
    health = fit.health
    return row | {"median_days": median.estimate, "open_low": median.low, "open_high": median.high, "lower": limits.lower[0],
                  "upper": limits.upper[0], "health": health.state, "note": "; ".join(text for _, _, text in health.notes)}
