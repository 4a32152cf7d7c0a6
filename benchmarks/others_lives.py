"""Lives and keepers of the second simulator (`others.py`): plain numpy, nothing of the structure of `moltspan.simulate_collection`.

Mean durations and sizes come from published tables (`per_instar_means.csv` of the open data sets, the mantids of 1912 and the increase of
intermolt periods of snow crabs), and everything about them is of another make than the fitted model: a stadium is so much work, a sum of
gamma distributed phases, done at a rate that follows each day's temperature and season; animals differ by uniform or gamma factors; a few
stadia are stragglers; sizes approach an adult size along a Gompertz curve with gamma distributed steps. Days count from the first day
of the study, which is day 0; a molt at 12.3 happens on day 12, and a keeper who looks sees all that happened up to the end of the day.
"""

import csv
import sys
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

import moltspan

REFERENCE = Path(__file__).parents[1] / "tests" / "reference"
sys.path.insert(0, str(REFERENCE))
from open_data import open_data  # noqa: E402 - lies beside the scripts that read it

FIRST_DAY = date(2020, 1, 1)
# Crustaceana 88 (2015) 911: median intermolt of snow crabs 234, 284 and 346 days in instars VI to VIII, carapace 19.5, 27.5, 37.5 mm.
CRAB_PERIOD_FACTORS, CRAB_SIZE_FACTORS = (284 / 234, 346 / 284), (27.5 / 19.5, 37.5 / 27.5)


# Living animals do not stretch their legs: leg spans are read 5 % low (assumed as in shared/husbandry.toml); forecasts mean the true span.
READ_LOW = 0.95


class Molt(NamedTuple):
    day: float  # in continuous days of the study
    instar: int  # reached with it
    size_mm: float  # leg span, carapace or length after it


@dataclass
class Animal:
    name: str
    taxon: str
    molts: list  # every molt of its life, up to its last or to well beyond the study
    sex: str = "unknown"
    cohort: str = ""
    from_day: int = 0  # first day with its keeper
    until_day: int = 10**6  # last day looked at
    hatched: bool = False  # its first molt in the list is its hatching, and written as such
    columns: dict = field(default_factory=dict)  # further cells of animals.csv
    final: float = np.inf  # day of its molt into adulthood (or pupa), after which there is none


class Study(NamedTuple):
    """A collection as its keeper wrote it, with the whole truth."""

    collection: object
    animals: list
    origins: list  # days to forecast from, on which everybody was looked at
    watched: str = "all"
    sizes: bool = False  # sizes to come are scored too


def per_instar_days(species, temperature_c=None):
    """Mean days in instars 1, 2, ... of a species of per_instar_means.csv; of its first study where several have the temperature."""
    with open(open_data("amp-instar-tables", "per_instar_means.csv"), newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["species"] == species and row["instar"].isdigit() and row["instar_duration_d"]]
    days = {}
    for row in rows:
        if temperature_c is None or float(row["temp_C"]) == temperature_c:
            days.setdefault(int(row["instar"]), float(row["instar_duration_d"]))
    return np.array([days[instar] for instar in sorted(days)])


def mantid_days(n_molts):
    """Mean days between successive molts of the mantids of 1912 with so many molts (9 or 10); the first four were alike for all."""
    frame = pd.read_csv(REFERENCE / "published_mantids" / "table_f.csv")
    later = frame[["VI-V", "VII-VI", "VIII-VII", "IX-VIII", "X-IX"]]
    adult = frame.sex.notna() & later["IX-VIII"].notna() & (later["X-IX"].notna() == (n_molts == 10))
    return np.array([14, 15, 13, 16, *later[adult].mean().dropna()])


def briere(temperature_c, lower, upper):
    """Rate of development by temperature (Briere et al. 1999), up to a factor; none beyond its limits."""
    t = np.asarray(temperature_c, dtype=float)
    inside = (t > lower) & (t < upper)
    return np.where(inside, t * (t - lower) * np.sqrt(np.clip(upper - t, 0, None)), 0.0)


def clock(rate_per_day):
    """Work done by the beginning of each day, for rates of successive days from day 0 on."""
    return np.concatenate([[0.0], np.cumsum(rate_per_day)])


def day_at(done, work):
    """Continuous day on which so much work is done."""
    return np.interp(work, done, np.arange(len(done)), right=np.inf)


def phases(rng, mean, n):
    """A sum of n exponential phases: the lengths of stadia before temperature and season have their say."""
    return mean * rng.gamma(n) / n


def work_of_stadia(rng, means, n_phases, pace, stragglers=0.0, longer=(1.6, 2.8)):
    """Work of successive stadia of one animal; `n_phases` a number or one a stadium."""
    n_phases = np.broadcast_to(n_phases, len(means))
    work = np.array([phases(rng, mean * pace, n) for mean, n in zip(means, n_phases, strict=True)])
    return np.where(rng.random(len(means)) < stragglers, work * rng.uniform(*longer, len(means)), work)


def gompertz_sizes(rng, start_mm, adult_mm, approach, n, steadiness=40):
    """Sizes in n successive instars, on the way to an adult size; each step gamma distributed about what the curve says."""
    sizes = [start_mm]
    for _ in range(n - 1):
        step = sizes[-1] * ((adult_mm / sizes[-1]) ** approach - 1)
        sizes.append(sizes[-1] + max(step, 0) * rng.gamma(steadiness) / steadiness)
    return np.array(sizes)


def molts_of(done, start_day, work, sizes, first_instar=1):
    """Molts of an animal: the first at `start_day`, then one at the end of each stadium."""
    base = np.interp(start_day, np.arange(len(done)), done)
    days = [start_day, *day_at(done, base + np.cumsum(work))]
    return [Molt(float(day), first_instar + k, float(size)) for k, (day, size) in enumerate(zip(days, sizes, strict=True)) if np.isfinite(day)]


def iso(day):
    return (FIRST_DAY + timedelta(days=int(day))).isoformat()


class Keeper:
    """Writes what a keeper sees. Looks every `every` days from day 0 on; a molt between two looks is a range."""

    def __init__(self, rng, every=1, missed=0.0, instars=True, rounding_mm=5, measured=0.8, measure="leg_span", unit="mm", eager=0.0):
        self.rng, self.every, self.missed, self.instars = rng, every, missed, instars
        self.rounding_mm, self.measured, self.measure, self.unit, self.eager = rounding_mm, measured, measure, unit, eager
        self.rows = []

    def write(self, animal, day, event, value="", until="", unit="", on=""):
        self.rows.append((animal, iso(day), iso(until) if until != "" else "", event, str(value), unit, on))

    def look_before(self, day):
        """The last look at or before the end of this day."""
        return int(day) // self.every * self.every

    def keep(self, animal, end):
        """All rows of one animal, from its coming to its leaving, which is written where it is before the end of the study."""
        seen = [molt for molt in animal.molts if animal.from_day <= self.found_on(molt) <= animal.until_day and molt.day >= animal.from_day]
        for molt in seen:
            if (animal.hatched and molt is animal.molts[0]) or molt.day >= animal.final or self.rng.random() >= self.missed:
                self.molt(animal, molt)
        for molt in animal.molts:
            self.around(animal, molt)
        if not seen or seen[0].day > animal.from_day + 1:
            self.size_when_bought(animal)
        self.write(animal.name, self.look_before(animal.until_day), "left" if animal.until_day < end else "checked")

    def found_on(self, molt):
        return -(-int(molt.day) // self.every) * self.every

    def molt(self, animal, molt):
        last = self.found_on(molt)
        first = max(last - self.every + 1, animal.from_day)
        self.write(animal.name, first, "molt", molt.instar if self.instars else "", last if last > first else "")
        self.size(animal.name, last, molt.size_mm)
        if molt.day >= animal.final:
            self.write(animal.name, last, "matured")

    def size(self, name, day, size_mm, certain=False):
        if certain or self.rng.random() < self.measured:
            read_mm = size_mm * self.rng.uniform(0.96, 1.04) * (READ_LOW if self.measure == "leg_span" else 1)
            rounded = max(self.rounding_mm, self.rounding_mm * round(read_mm / self.rounding_mm))
            self.write(name, day, self.measure, f"{rounded:g}", unit=self.unit, on="animal")

    def size_when_bought(self, animal):
        sizes = [molt.size_mm for molt in animal.molts if molt.day <= animal.from_day]
        if self.measured and sizes:
            self.size(animal.name, animal.from_day, sizes[-1], certain=True)

    def around(self, animal, molt):
        """The eager look and write more around molts: refused meals before, the first meal after."""
        days = [(-self.rng.integers(3, 20), "refused"), (-self.rng.integers(1, 6), "checked"), (self.rng.integers(4, 12), "ate")]
        for shift, event in days:
            day = self.look_before(molt.day + shift)
            if self.rng.random() < self.eager and animal.from_day <= day <= animal.until_day:
                self.write(animal.name, day, event)

    def looks(self, animal):
        """`checked` at every look; for collections that are watched only as their rows say."""
        for day in range(-(-animal.from_day // self.every) * self.every, animal.until_day + 1, self.every):
            self.write(animal.name, day, "checked")


ANIMAL_COLUMNS = ("animal", "taxon", "sex", "cohort", "hatched", "acquired")
JOURNAL_COLUMNS = ("animal", "date", "until", "event", "value", "unit", "on")


def animals_frame(animals):
    rows = [{"animal": a.name, "taxon": a.taxon, "sex": a.sex, "cohort": a.cohort, "hatched": iso(a.molts[0].day) if a.hatched else "",
             "acquired": "" if a.hatched else iso(a.from_day), **a.columns} for a in animals]
    return pd.DataFrame(rows).fillna("")


def collection_of(animals, keeper, taxa=None):
    """The records as read: animals.csv and journal.csv, rows in the order of their dates."""
    journal = pd.DataFrame(keeper.rows, columns=list(JOURNAL_COLUMNS)).drop_duplicates()
    journal = journal.assign(last=np.where(journal.until != "", journal.until, journal.date)).sort_values(["last", "animal"], kind="stable")
    tables = {} if taxa is None else {"taxa": taxa}
    return moltspan.Collection(animals_frame(animals), journal.drop(columns="last").reset_index(drop=True), **tables)


def next_molt(animal, origin):
    """Continuous day of the first molt after the end of the day `origin`; infinite where there is none."""
    return min((molt.day for molt in animal.molts if molt.day >= origin + 1), default=np.inf)
