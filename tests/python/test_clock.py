"""The clock of development: seasons that nobody measured and temperatures that vary, on lives drawn in plain numpy."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

import moltspan
from moltspan import _core

FIRST = date(2020, 1, 1)
DAYS = 1100
MEDIAN = list(_core.STANDARD_QUANTILES).index(0.5)


def iso(day):
    return (FIRST + timedelta(days=int(day))).isoformat()


def day_of_year(top):
    """Day of the year of a day of the study."""
    return ((FIRST + timedelta(days=float(top))) - date(2020, 1, 1)).days % 365.25


def lives(rng, rate, n=24, mean_days=110):
    """Molt days of n animals: stadia are log-normal work, done at the rate of each day."""
    done = np.concatenate([[0], np.cumsum(rate)])
    molts = []
    for _ in range(n):
        work = rng.uniform(0, mean_days) + np.concatenate([[0], np.cumsum(mean_days * np.exp(rng.normal(0, 0.1) + rng.normal(0, 0.2, 40)))])
        molts.append(np.interp(work[work < done[-1]], done, np.arange(len(done))))
    return molts


def collection(molts, temperatures=None, end=DAYS):
    rows = [(f"A{k}", iso(day), "molt", "", "") for k, own in enumerate(molts) for day in own if day < end]
    if temperatures is not None:
        rows += [(f"A{k}", iso(day), "temperature", f"{temperatures[max(0, day - 30):day + 1].mean():.1f}", "C")
                 for k in range(len(molts)) for day in range(30, end, 30)]
    animals = pd.DataFrame({"animal": [f"A{k}" for k in range(len(molts))], "taxon": "Brachypelma hamorii", "acquired": iso(0)})
    return moltspan.Collection(animals, pd.DataFrame(sorted(rows, key=lambda row: row[1]), columns=["animal", "date", "event", "value", "unit"]))


def season_rate(amplitude, top, n=4000):
    return np.exp(amplitude * np.cos(2 * np.pi * (np.arange(n) + 0.5 - top) / 365.25))


def below_and_inside(molts, records, as_of, **options):
    """Of each animal whether its next molt is before the median and inside the 80 % band."""
    fit = moltspan.fit(records, as_of=FIRST + timedelta(days=as_of), growth_model=False, threads=1, **options)
    quantiles = list(_core.STANDARD_QUANTILES)
    low, high = quantiles.index(0.1), quantiles.index(0.9)
    rows = []
    for forecast in _core.forecast(fit._core, []):
        own = molts[int(forecast.id[1:])]
        day = own[own >= as_of + 1][0] - as_of
        q = forecast.quantile_days
        rows.append((day < q[MEDIAN], q[low] <= day <= q[high]))
    return rows


@pytest.fixture(scope="module")
def seasonal():
    return lives(np.random.default_rng(3), season_rate(0.3, 190))


def test_season_is_found(seasonal):
    season = moltspan.fit(collection(seasonal), growth_model=False).season
    assert season.amplitude == pytest.approx(0.3, abs=0.08)  # three of its standard errors
    assert season.fastest_day == pytest.approx(190, abs=20)
    assert season.chance > 0.99


def test_southern_hemisphere():
    season = moltspan.fit(collection(lives(np.random.default_rng(4), season_rate(0.3, 8))), growth_model=False).season
    assert min(abs(season.fastest_day - 8), 365.25 - abs(season.fastest_day - 8)) < 20


def test_no_season_is_none():
    found = [moltspan.fit(collection(lives(np.random.default_rng(seed), season_rate(0, 0))), growth_model=False).season for seed in range(6)]
    assert sum(season is not None and season.amplitude > 0.05 for season in found) == 0


def test_a_season_is_a_fact_only_where_it_exceeds_its_error(seasonal):
    assert moltspan.fit(collection(seasonal), growth_model=False).season.amplitude > 0.2  # truth .3
    weak = moltspan.fit(collection(lives(np.random.default_rng(3), season_rate(0, 0))), growth_model=False)
    assert weak.season is None
    assert "season of the rate: none shown: at most" in str(weak)


def test_too_few_stadia_leave_the_calendar(seasonal):
    records = collection([own[:3] for own in seasonal[:4]])
    with_clock, without = (moltspan.fit(records, clock=clock, threads=1) for clock in (True, False))
    assert with_clock.season is None and not with_clock._core.clock.runs
    assert with_clock.forecast().to_string() == without.forecast().to_string()


def test_medians_are_true_in_every_quarter():
    """Twelve origins over a year, four collections: with the clock the share below the median is even; without it is not."""
    shares = {True: [], False: []}
    for seed in range(4):
        molts = lives(np.random.default_rng(seed), season_rate(0.3, 190))
        records = collection(molts)
        for as_of in (640, 731, 822, 913):
            for clock in shares:
                shares[clock].append((as_of, np.mean([row[0] for row in below_and_inside(molts, records, as_of, clock=clock)])))
    by_quarter = {clock: pd.DataFrame(rows).groupby(0)[1].mean() for clock, rows in shares.items()}
    assert by_quarter[True].between(0.3, 0.7).all()  # four standard errors of 96 animals, of which 24 share a fit
    assert by_quarter[True].sub(0.5).abs().mean() < by_quarter[False].sub(0.5).abs().mean()


def test_a_warmer_house_is_followed():
    """Moved to a house 5 C warmer two months ago: what is to come is warm."""
    shares = {True: [], False: []}
    for seed in range(4):
        rng = np.random.default_rng(seed)
        temperature = np.where(np.arange(4000) < 840, 20.0, 25.0) + rng.uniform(-0.5, 0.5, 4000)
        molts = lives(rng, np.exp(0.08 * (temperature - 25)))
        records = collection(molts, temperature, end=905)
        for clock in shares:
            shares[clock] += below_and_inside(molts, records, 900, clock=clock)
    below = {clock: np.mean([row[0] for row in rows]) for clock, rows in shares.items()}
    assert below[True] == pytest.approx(0.5, abs=0.16)  # three standard errors of 96 animals
    assert below[False] > below[True]


def test_the_course_of_the_year_is_read_from_rows():
    rng = np.random.default_rng(5)
    temperature = 24 + 3 * np.cos(2 * np.pi * (np.arange(4000) - 200) / 365.25) + rng.uniform(-0.5, 0.5, 4000)
    fit = moltspan.fit(collection(lives(rng, np.exp(0.08 * (temperature - 25))), temperature), growth_model=False)
    course = fit._core.clock.temperature_c
    assert course.amplitude == pytest.approx(3, abs=0.4)
    assert course.top_day_of_year == pytest.approx(200, abs=10)
    assert fit.season is None or fit.season.amplitude < 0.05
    assert fit.stadia.coefficients["warmth_c"] == pytest.approx(-0.08, abs=0.02)
    assert "warmest about" in str(fit)


def test_courses_follow_the_season(seasonal):
    """The first molt of a course of life is the forecast's."""
    fit = moltspan.fit(collection(seasonal), growth_model=False)
    document = moltspan.forecast_document(fit)
    name = document["animals"][0]["animal"]
    days = np.median(fit.trajectory(name, molts=3).dates_days[:, 0])
    forecast = next(f for f in _core.forecast(fit._core, []) if f.id == name)
    assert days == pytest.approx(forecast.quantile_days[MEDIAN], abs=1.5)
    assert any("season" in note for note in document["animals"][0]["notes"])
