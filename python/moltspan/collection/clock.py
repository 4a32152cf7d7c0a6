"""The clock of development, in words: the season of a collection and the temperatures it runs by."""

import math
from datetime import date, timedelta
from typing import NamedTuple


class Season(NamedTuple):
    """A season of the rate of development, common to all animals: log rate = amplitude cos(2 pi (day - fastest day) / 365.25)."""

    amplitude: float  # of the log rate: .25 = up to 28 % faster and 22 % slower than usual; posterior mean
    amplitude_sd: float
    fastest_day: float  # of the year, 0 = the beginning of January 1st
    chance: float  # of a season worth the name, against next to none

    def __str__(self):
        faster, slower = 100 * math.expm1(self.amplitude), -100 * math.expm1(-self.amplitude)
        return (f"fastest about {_spoken(self.fastest_day)}, {faster:.0f} % above the usual rate, and {slower:.0f} % below it half a year later "
                f"(amplitude {self.amplitude:.2f} ± {self.amplitude_sd:.2f})")


def _spoken(day_of_year):
    day = date(2001, 1, 1) + timedelta(days=min(int(day_of_year), 364))
    return f"{day:%B} {day.day}"


def season_of(core):
    """`Season` of the fit's core; None where the records show none: its amplitude is no more than twice its standard error."""
    course = core.log_rate
    return None if not core.shown else Season(course.amplitude, core.amplitude_sd, course.top_day_of_year, core.chance)


def clock_facts(core):
    """Facts of the clock for the summary of a fit."""
    season, facts = season_of(core.season), []
    if season is not None:
        facts.append(("season of the rate", str(season)))
    elif core.season.looked_for:
        facts.append(("season of the rate", _none_shown(core.season.largest_amplitude)))
    if core.warmth != 0:
        facts.append(("temperatures to come", _to_come(core)))
    return facts


def _none_shown(amplitude):
    return f"none shown: at most {100 * math.expm1(amplitude):.0f} % above the usual rate at its best (95 %)"


def _to_come(core):
    course = core.temperature_c
    if course.amplitude == 0:
        return "the last ones of each animal stay (no course of the year in its rows)"
    return f"the last level of each animal, with a yearly course of ± {course.amplitude:.1f} C, warmest about {_spoken(course.top_day_of_year)}"
