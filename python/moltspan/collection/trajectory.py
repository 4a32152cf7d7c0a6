"""Courses of life: `Trajectory` of one animal, `Trajectories` of several, from `CollectionFit.trajectory` and `.trajectories`."""

import math

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.result import Health, Result

LEVELS = (0.1, 0.25, 0.5, 0.75, 0.9)
BAND = (0.1, 0.9)


def trajectories_of(fit, animals=None, molts=5, draws=10000, seed=1, growth_ratio=None, growth_log_sd=None, threads=0):
    """See `CollectionFit.trajectories`."""
    options = _core.TrajectoryOptions()
    options.molts, options.draws, options.seed = _whole("molts", molts), _whole("draws", draws), _whole("seed", seed)
    options.growth_ratio, options.growth_log_sd, options.threads = growth_ratio, growth_log_sd, threads
    indices = [] if animals is None else animal_indices(fit, animals)
    if animals is not None and not indices:
        raise ValueError("trajectories: animals is empty; name one, or leave it out for all")
    asked = {"animals": None if animals is None else list(animals), "molts": molts, "draws": draws, "seed": seed,
             "growth_ratio": growth_ratio, "growth_log_sd": growth_log_sd}
    return Trajectories(fit, _core.draw_trajectories(fit._core, indices, options), asked)


def trajectory_of(fit, animal, molts=5, draws=10000, seed=1, growth_ratio=None, growth_log_sd=None):
    """See `CollectionFit.trajectory`."""
    found = trajectories_of(fit, [animal], molts, draws, seed, growth_ratio, growth_log_sd)
    if found.without:
        raise ValueError(f"trajectory: animal {animal!r} has none: {found.without[animal]}")
    return found[animal]


def _whole(name, value):
    if isinstance(value, bool) or int(value) != value or not 0 <= value < (2**64 if name == "seed" else 2**31):
        raise ValueError(f"trajectory: {name} = {value!r} must be a whole number, 0 or more")
    return int(value)


def animal_indices(fit, animals, caller="trajectory"):
    """Places of animals by name; ValueError names one that is not there."""
    ids = list(fit.collection._core_collection.animal_ids)
    place = {name: i for i, name in enumerate(ids)}
    for animal in animals:
        if animal not in place:
            some = ", ".join(ids[:8]) + (", ..." if len(ids) > 8 else "")
            raise ValueError(f"{caller}: animal {animal!r} is not in the collection; it holds {some}")
    return [place[animal] for animal in animals]


class Trajectories(Result):
    """Courses of several animals; `trajectories["A1"]` is one of them.

    `dates_days` (animals x draws x molts): days, with fraction, from the beginning of the `as_of` day; NaN = no such molt.
    `leg_span_mm`: sizes after these molts. `animals`: names in the order of the arrays; `without`: name -> why there are no draws.
    """

    _title = "Trajectories: the next molt"

    def __init__(self, fit, core, asked):
        super().__init__(fit=fit, _core=core, asked=asked, animals=tuple(animal.id for animal in core.animals),
                         without={animal.id: animal.why_none for animal in core.without})

    @property
    def as_of(self):
        """Last day of the records used."""
        return self.fit.as_of

    @property
    def dates_days(self):
        return self._core.dates_days

    @property
    def leg_span_mm(self):
        return self._core.leg_span_mm

    @property
    def health(self):
        """What to know before using the draws."""
        return Health.of(self._core.health)

    def __len__(self):
        return len(self.animals)

    def __getitem__(self, animal):
        if animal not in self.animals:
            raise KeyError(f"{animal!r}: {self.without.get(animal, 'not asked for')}")
        return Trajectory(self, self.animals.index(animal))

    def __iter__(self):
        return (Trajectory(self, i) for i in range(len(self.animals)))

    def table(self):
        """A row an animal and molt: medians and 80 % bands of date and leg span, and the chance that this molt comes."""
        return frames.frame_of(self._numbers(), self.fit.collection._kind)

    def _numbers(self):
        return _columns([row for one in self for row in one._rows(self.asked["molts"])])

    def _facts(self):
        return [("drawn", f"{len(self)} animals, {self.asked['draws']} draws of {self.asked['molts']} molts, seed {self.asked['seed']}"),
                ("as of", str(self.as_of)), ("without", ", ".join(self.without) or "none"), ("health", str(self.health))]

    def _table(self):
        return _HEAD, [_cells(row) for one in self for row in one._rows(1)]


class Trajectory(Result):
    """Joint draws of one animal's next molts; nothing in it can be changed.

    `dates_days`, `leg_span_mm` (draws x molts) as in `Trajectories`; `start_leg_span_mm`: the present size, drawn with its error.
    """

    _title = "Trajectory"

    def __init__(self, whole, index):
        super().__init__(_whole=whole, _index=index, _animal=whole._core.animals[index], fit=whole.fit, asked=whole.asked)

    @property
    def animal(self):
        return self._animal.id

    @property
    def as_of(self):
        """Last day of the records used."""
        return self.fit.as_of

    @property
    def dates_days(self):
        return self._whole.dates_days[self._index]

    @property
    def leg_span_mm(self):
        return self._whole.leg_span_mm[self._index]

    @property
    def start_leg_span_mm(self):
        return self._whole._core.start_leg_span_mm[self._index]

    @property
    def notes(self):
        """Assumptions behind these draws."""
        return [note.text for note in self._animal.notes]

    @property
    def health(self):
        """What to know before using the draws."""
        return self._whole.health

    @property
    def pace_percentile(self):
        """How many in a hundred of its kind are slower, size and sex allowed for; None where there is nothing to tell it by."""
        return None if math.isnan(self._animal.pace_percentile) else self._animal.pace_percentile

    @property
    def ratio_percentile(self):
        """How many in a hundred of its kind grow less at a molt; None where it was never measured."""
        return None if math.isnan(self._animal.ratio_percentile) else self._animal.ratio_percentile

    def fan(self, levels=LEVELS, days=None):
        """Quantiles of the leg span over time as a frame: `date`, `days`, one column a level, `complete` = share of the courses that reach
        so far (the others keep their last size). `days`: days after `as_of`; default: up to where 9 in 10 courses reach."""
        core = self._whole._core.fan(self._index, list(levels), [] if days is None else [float(day) for day in days])
        columns = {"date": [self._date(day) for day in core.days], "days": core.days}
        columns |= {f"q{level:g}": core.leg_span_mm[i::len(core.levels)] for i, level in enumerate(core.levels)}
        return frames.frame_of(columns | {"complete": core.complete}, self.fit.collection._kind)

    def first_passage(self, leg_span_mm, levels=LEVELS):
        """When a leg span is reached: a dict of `chance_already`, `chance` (within the molts drawn), `chance_never` (its growth ends
        below it; what is left to 1 is later than the molts drawn), `days` (one a draw; 0 = already, infinite = not within them) and `quantiles`, level -> date or None where the molts drawn do not go so far."""
        core = self._whole._core.first_passage(self._index, float(leg_span_mm))
        quantiles = {level: self._date(core.quantile_days(level)) for level in levels}
        return {"leg_span_mm": float(leg_span_mm), "chance_already": core.chance_already, "chance": core.chance,
                "chance_never": core.chance_never, "days": core.days, "quantiles": quantiles}

    @property
    def adult(self):
        """`first_passage` of the size from which it counts as grown (a share of its adult leg span); None where that is not known."""
        size = self._animal.adult_leg_span_mm
        return None if math.isnan(size) else self.first_passage(size)

    def normal_until(self, level=0.95):
        """Day until which it is no surprise to have seen no molt: with chance `level` the next one comes by then, if one comes."""
        return self._date(self._whole._core.date_quantile(self._index, 0, level))

    def _date(self, days):
        return frames.day_after(self.as_of, days) if math.isfinite(days) else None

    def table(self):
        """A row a molt: medians and 80 % bands of date and leg span, and the chance that this molt comes."""
        return frames.frame_of(self._numbers(), self.fit.collection._kind)

    def _numbers(self):
        return _columns(self._rows(self.asked["molts"]))

    def _rows(self, molts):
        return [self._row(molt) for molt in range(molts)]

    def _row(self, molt):
        core, at = self._whole._core, (self._index, molt)
        days = [self._date(core.date_quantile(*at, p)) for p in (BAND[0], 0.5, BAND[1])]
        sizes = [core.size_quantile(*at, p) for p in (BAND[0], 0.5, BAND[1])]
        values = (self.animal, molt + 1, core.chance_of_molt(*at), days[1], days[0], days[2], sizes[1], sizes[0], sizes[2])
        return dict(zip(_COLUMNS, values, strict=True))

    def _facts(self):
        pace, ratio = self.pace_percentile, self.ratio_percentile
        return [("animal", f"{self.animal} ({self._animal.taxon or 'kind not stated'})"), ("as of", str(self.as_of)),
                ("draws", f"{self.asked['draws']}, seed {self.asked['seed']}"),
                ("pace", "not known" if pace is None else f"faster than {pace:.0f} in 100 of its kind"),
                ("growth at a molt", "not known" if ratio is None else f"more than that of {ratio:.0f} in 100 of its kind"),
                *(("note", note) for note in self.notes), ("health", str(self.health))]

    def _table(self):
        return _HEAD, [_cells(row) for row in self._rows(self.asked["molts"])]


_COLUMNS = ("animal", "molt", "chance", "date", "date_from", "date_to", "leg_span_mm", "leg_span_from_mm", "leg_span_to_mm")
_HEAD = ("animal", "molt", "chance", "most likely around", "80 % between", "leg span mm", "80 % between mm")


def _columns(rows):
    return {name: [row[name] for row in rows] for name in _COLUMNS}


def _cells(row):
    def size(name):
        return "-" if math.isnan(row[name]) else f"{row[name]:.0f}"

    return (row["animal"], str(row["molt"]), f"{row['chance']:.2f}", str(row["date"] or "-"), f"{row['date_from'] or '-'} .. {row['date_to'] or '-'}",
            size("leg_span_mm"), f"{size('leg_span_from_mm')} .. {size('leg_span_to_mm')}")
