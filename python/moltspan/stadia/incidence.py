"""How stadia end, and at what age and instar animals mature: `molt_incidence`, `maturity`. Records are written as in `nonparametric`."""

from types import MappingProxyType

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.stadia.intervals import check_level, choice
from moltspan.stadia.nonparametric import RESAMPLES, Records, _median_row, _names, _number
from moltspan._frames.result import Health, Result

STATUSES = ("closed", "running", "died", "left")
ENDS = ("censored", "molted", "died_molting", "died")


def molt_incidence(table, by="start_instar", *, animal="animal", status="status", start="start_earliest", max_days=None, entry_days=None,
                   weights=None, molting_share=_core.USUAL_MOLTING_SHARE, level=0.95, unit=None):
    """How the stadia of each group end: cumulative incidence of molting, of death at molting and of death between molts.

    `table`: as `Collection.stadia()` gives it. A death within `molting_share` of the animal's stadium before, counted from the molt that
    ended that one (default .02, an assumption: 2 days after a stadium of 100), is a death at molting: it is the end of the stadium
    before, and its own row stays as censored on that day. Every other death ends its own row, exact at `min_days`; on the day of the molt
    itself it comes before all other ends. Where the stadium before is not on record nothing tells whether the molt killed: a death of its
    own row, and counted in `.health`. Rows whose `molts_spanned` is not 1 are no stadia: left out and counted. Exact molts: Aalen-
    Johansen with delta-method limits on the log(-log) scale. Molts known to ranges: joint NPMLE of time and cause, without limits. As the
    dead are no random sample, the median time to the molt is given three times: deaths as censored (`median_days`), as if they had molted
    at once (`median_if_at_once`), as if never (`median_if_never`).
    """
    check_level(level)
    records = Records(table, max_days, entry_days, weights, animal, unit)
    for name in (status, animal):
        if name not in records.columns:
            raise ValueError(f"molt_incidence: the table has no column {name!r}; it has {', '.join(records.columns)}")
    words = [frames.text_of(value) for value in records.columns[status]]
    for row, word in enumerate(words):
        choice(f"row {row}, {status}", word, STATUSES)
    whole = set(records.kept)
    codes = [STATUSES.index(word) if row in whole else -1 for row, word in enumerate(words)]
    ends = _core.stadium_ends(records.times(slice(None)), records.cluster, _starts(records, start), codes, molting_share)
    row_of = {row: k for k, row in enumerate(ends.row)}
    groups = {label: [row_of[row] for row in members if row in row_of] for label, members in records.groups(by).items()}
    names = [by] if isinstance(by, str) else list(by) if _names(by) else ["group"]
    parts = {label: _Ends(ends, members, level) for label, members in groups.items() if members}
    return MoltIncidence(_parts=MappingProxyType(parts), _names=names, _kind=records.kind, unit=records.unit,
                         _notes=records.notes() + _early_deaths(ends.without_stadium, molting_share),
                         asked=MappingProxyType({"molting_share": molting_share, "level": level}))


def _early_deaths(n, share):
    """A note on deaths soon after a molt whose stadium before is not on record."""
    if not n:
        return ()
    return (("warning", "early_deaths", f"{n} died within {100 * share:g} % of the median stadium after a molt whose stadium before is not on record: "
                                        "counted as deaths between molts, though the molt may have killed"),)


def _starts(records, start):
    values = records.columns.get(start)
    if values is None:
        return list(map(float, range(records.n)))
    return [float(value) if isinstance(value, (int, float)) else float(frames.day_number(value) if not hasattr(value, "date") else value.toordinal())
            for value in values]


class _Ends:
    """The ends of one group's stadia and what was estimated from them."""

    def __init__(self, ends, members, level):
        low, high, entry, weight = (np.array(getattr(ends.times, name))[members] for name in ("min_days", "max_days", "entry_days", "weight"))
        cause = np.array(ends.end)[members]
        self.counts = {name: int((cause == code).sum()) for code, name in enumerate(ENDS)}
        self.exact = bool(np.all(np.isnan(high) | (low == high)))
        times = _core.BoundedTimes(low, high, entry, weight)
        if self.exact:
            self.core = _core.cumulative_incidence(times, cause.tolist(), 3, level)
        else:
            self.core = _core.joint_incidence(times, cause.tolist(), 3)
        finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
        self.last = float(finite.max())
        died = cause == 3
        self.medians = [self._median(low, np.where(died, np.nan, high), entry, weight), self._median(low, high, entry, weight),
                        self._median(np.where(died, self.last, low), np.where(died, np.nan, high), entry, weight)]

    @staticmethod
    def _median(*columns):
        return _core.quantile_days(_core.stadium_npmle(_core.BoundedTimes(*columns)), 0.5)

    def at_end(self):
        """Incidence of each cause at the last time: (estimate, lower, upper)."""
        if self.exact:
            return [(self.core.incidence[k][-1], self.core.lower[k][-1], self.core.upper[k][-1]) for k in range(3)]
        return [(_core.incidence_at(self.core, k + 1, self.last).estimate, np.nan, np.nan) for k in range(3)]

    def curve(self):
        if self.exact:
            columns = {"days": np.array(self.core.days), "at_risk": np.array(self.core.at_risk)}
            for k, name in enumerate(ENDS[1:]):
                columns |= {name: np.array(self.core.incidence[k]), f"{name}_lower": np.array(self.core.lower[k]), f"{name}_upper": np.array(self.core.upper[k])}
            return columns
        days = np.unique(np.concatenate([*map(np.array, self.core.left), *map(np.array, self.core.right)]))
        columns = {"days": days}
        for k, name in enumerate(ENDS[1:], 1):
            found = [_core.incidence_at(self.core, k, day) for day in days]
            columns |= {name: np.array([f.estimate for f in found]), f"{name}_open_low": np.array([f.low for f in found]),
                        f"{name}_open_high": np.array([f.high for f in found])}
        return columns


class MoltIncidence(Result):
    """Result of `molt_incidence`: `.frame` (a row a group), `.curve(group)`."""

    _title = "How stadia end"

    @property
    def health(self):
        return Health.of([note for part in self._parts.values() for note in part.core.health], self.unit).with_notes(self._notes)

    @property
    def frame(self):
        """A row a group: counts of ends, incidence of each by the last time watched with limits, and the three medians."""
        rows = []
        for label, part in self._parts.items():
            row = dict(zip(self._names, label, strict=True)) | {"n": sum(part.counts.values())} | part.counts
            for name, (estimate, lower, upper) in zip(ENDS[1:], part.at_end(), strict=True):
                row |= {f"share_{name}": estimate, f"share_{name}_lower": lower, f"share_{name}_upper": upper}
            row |= dict(zip(("median_days", "median_if_at_once", "median_if_never"), (m.estimate for m in part.medians), strict=True))
            rows.append(row | {"method": "Aalen-Johansen" if part.exact else "joint NPMLE"})
        return frames.frame_of({name: [row[name] for row in rows] for name in (rows[0] if rows else self._names)}, self._kind)

    def curve(self, *group):
        """Cumulative incidences of one group over time, with limits (exact molts) or with what the ranges leave open."""
        label = tuple(map(frames.text_of, group))
        if label not in self._parts:
            raise ValueError(f"group {group!r}: there are {', '.join(' / '.join(one) for one in self._parts)}")
        return frames.frame_of(self._parts[label].curve(), self._kind)

    def _facts(self):
        return [("death at molting", f"within {100 * self.asked['molting_share']:g} % of the stadium before, after the molt that ended it (assumption)"),
                ("medians", "time to the molt with deaths as censored / as if molted at once / as if never"), ("health", str(self.health))]

    def _numbers(self):
        return frames.columns_of(self.frame)

    def _table(self):
        rows = []
        for label, part in self._parts.items():
            shares = [f"{estimate:.3f}" for estimate, _, _ in part.at_end()]
            rows.append((" / ".join(label), *(str(part.counts[name]) for name in ENDS), *shares, " / ".join(_number(m.estimate) for m in part.medians)))
        return (" / ".join(self._names), *ENDS, "share molted", "share died molting", "share died", f"median {self.unit}"), rows


def maturity(collection, as_of=None, watched="all", level=0.95, resamples=RESAMPLES, seed=1, threads=1):
    """Age (days from hatching) and instar at the molt into maturity, by sex, without a family: medians with bootstrap limits.

    Immature animals are right-censored at their last watched day (last counted instar); animals acquired after hatching count from that age
    (the first counted instar) on; those mature when acquired are left out and counted. Ages need `hatched`, instars need counted molts.
    Records of your own go through `stadium_medians(table, "sex")`.
    """
    from moltspan.records.records import _sex_word

    table = collection._stadia_table(as_of, watched)
    found = _core.maturity_records(collection._core_collection, table)
    animals = collection._core_collection.animals
    columns = {"animal": [animals[i].id for i in found.animal], "sex": [_sex_word(table.animals[i].male_chance) for i in found.animal]}
    for measure, times in (("days", found.age_days), ("instar", found.instar)):
        columns |= {f"{side}_{measure}": np.array(getattr(times, f"{side}_days")) for side in ("min", "max", "entry")}
    return Maturity(_columns=columns, _kind=collection._kind, mature_at_entry=found.mature_at_entry, _options=(level, resamples, seed, threads),
                    asked=MappingProxyType({"as_of": as_of, "watched": watched, "level": level}))


class Maturity(Result):
    """Result of `maturity`: `.records` (a row an animal), `.frame` (a row a measure and sex)."""

    _title = "Molt into maturity"

    @property
    def records(self):
        """Bounds of age and instar of each animal; blank = not known, or not mature yet (`max_...`)."""
        return frames.frame_of(self._columns, self._kind)

    @property
    def frame(self):
        """`measure, sex, n, ended, median, open_low, open_high, lower, upper, health, note`; `ended`: matured."""
        rows = [{"measure": measure} | row for measure in ("days", "instar") for row in self._rows(measure)]
        names = list(rows[0]) if rows else ["measure", "sex"]
        return frames.frame_of({name: [row[name] for row in rows] for name in names}, self._kind)

    def _rows(self, measure):
        low = self._columns[f"min_{measure}"]
        known = np.flatnonzero(~np.isnan(low))
        if not len(known):
            return []
        bounds = Records(*(self._columns[f"{side}_{measure}"][known] for side in ("min", "max", "entry")), None)
        sexes = np.array(self._columns["sex"])[known]
        return [{"sex": label[0], **{name.replace("_days", ""): value for name, value in _median_row(bounds, members, *self._options).items()}}
                for label, members in bounds.groups(sexes).items()]

    @property
    def health(self):
        """The worst of the rows; bad where nothing is known."""
        columns = frames.columns_of(self.frame)
        notes = [(state, "median", note) for state, note in zip(columns.get("health", []), columns.get("note", []), strict=True) if note]
        states = columns.get("health", [])
        if not len(states):
            return Health("bad", (("bad", "nothing", "no animal has a day of hatching or a stated instar: neither age nor instar can be told"),))
        return Health(max(states, key=("good", "warning", "bad").index), tuple(notes))

    def _facts(self):
        return [("animals", f"{len(self._columns['animal'])}; {self.mature_at_entry} mature when acquired, left out"), ("health", str(self.health))]

    def _numbers(self):
        return frames.columns_of(self.frame)

    def _table(self):
        columns = frames.columns_of(self.frame)
        shown = [name for name in columns if name not in ("health", "note")]
        return shown, [tuple(value if isinstance(value, str) else _number(value) for value in row) for row in zip(*(columns[n] for n in shown), strict=True)]
