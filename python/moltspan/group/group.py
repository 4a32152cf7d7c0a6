"""Groups of animals: growth ratios and rates, sex ratios, tables per instar and sex. The statistics are those of moltspan/group.hpp."""

from moltspan import _core
from moltspan._frames import frames
from moltspan.group.table import ResultTable
from moltspan.group.temperature import numbers_of
from moltspan.stadia.intervals import check_level
from moltspan._frames.result import Health

MEASURES = ("leg_span", "carapace_length", "carapace_width", "body_length", "mass")
SEXES = {"female": "female", "f": "female", "male": "male", "m": "male", "probable female": "probable_female",
         "probable male": "probable_male", "unknown": "unknown", "": "unknown"}
FEW = 3  # animals under which an interval is named weak


class Estimate(ResultTable):
    """One quantity with its interval: `.estimate`, `.lower`, `.upper` (NaN where too few values), `.n`."""

    def __init__(self, caption, interval, n, level, facts=(), health=None, columns=None, **more):
        columns = columns or {"n": [n], "estimate": [interval.estimate], "lower": [interval.lower], "upper": [interval.upper]}
        super().__init__(caption, columns, "pandas", {"level": level}, facts, health, estimate=interval.estimate, lower=interval.lower,
                         upper=interval.upper, n=n, **more)


def _few(n, what="pairs", interval=None):
    notes = ()
    if n < FEW:
        notes += (("warning", "few", f"{n} {what}: the interval is very wide or not to be had"),)
    if interval is not None and interval.upper - interval.lower <= 1e-12 * abs(interval.estimate):
        notes += (("warning", "alike", f"all {what} give the same value: they look calculated, not measured, and the interval has no width"),)
    return Health("warning" if notes else "good", notes)


def growth_ratio(before, after, level=0.95):
    """Ratio of sizes after / before of animals measured twice: exp of the mean log ratio, Student's interval on the log scale."""
    result = _core.growth_ratio(numbers_of(before, "before"), numbers_of(after, "after"), level)
    facts = [("interval", f"{level * 100:g} %, Student's on the log scale, paired within animals")]
    return Estimate("Growth ratio", result.ratio, result.n, level, facts, _few(result.n, interval=result.ratio), sd_log=result.sd_log)


def specific_growth_rate(before, after, days, level=0.95):
    """ln(after / before) / days of each pair, their mean and Student's interval, per day; `.per_pair` holds the single rates."""
    result = _core.specific_growth_rate(numbers_of(before, "before"), numbers_of(after, "after"), numbers_of(days, "days"), level)
    facts = [("rate", "ln(after / before) / days, per day; pairs are taken to be different animals"), ("interval", f"{level * 100:g} %, Student's")]
    return Estimate("Specific growth rate", result.mean, len(result.per_day), level, facts, _few(len(result.per_day), interval=result.mean),
                    per_pair=tuple(result.per_day.tolist()))


def sex_ratio(sexes=None, null_share=0.5, level=0.95, **counts):
    """Share of males with exact (Clopper-Pearson) and Wilson intervals, and the exact binomial test of `null_share`.

    `sexes`: words as in `animals.csv` (female, male, probable female, probable male, unknown), one an animal; or counts:
    `sex_ratio(female=12, male=20, probable_male=3)`. A probable sex is right with chance .8: the tests average over what it may
    be, and the estimate counts it as .8. Unknown ones are left out and said. Not a sample at random: ask who was sexed first.
    """
    counted = _count_sexes(sexes, counts)
    core = _core.sex_ratio(*[counted[name] for name in ("female", "male", "probable_female", "probable_male", "unknown")], null_share, level)
    probable = counted["probable_female"] + counted["probable_male"]
    columns = {"interval": ["Clopper-Pearson (exact)", "Wilson"], "n": [core.n] * 2, "share_male": [core.wilson.estimate] * 2,
               "lower": [core.clopper_pearson.lower, core.wilson.lower], "upper": [core.clopper_pearson.upper, core.wilson.upper],
               "p_value": [core.p_value] * 2}
    facts = [("counted", ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in counted.items() if n)),
             ("test", f"exact binomial of a share of {null_share:g}; intervals {level * 100:g} %"
                      + (f"; {probable} probable sexes right with chance .8 (assumption)" if probable else ""))]
    return Estimate("Share of males", core.clopper_pearson, core.n, level, facts, _few(core.n, "animals"), columns, wilson=(core.wilson.lower,
                    core.wilson.upper), p_value=core.p_value, counts=counted)


def _count_sexes(sexes, counts):
    names = dict.fromkeys(SEXES.values(), 0)
    if (sexes is None) == (not counts):
        raise TypeError("sex_ratio: give a column of sexes, or counts such as female=12, male=20")
    for name, count in counts.items():
        if name not in names or count != int(count):
            raise ValueError(f"sex_ratio: {name}={count!r}: whole counts of {', '.join(names)} are understood")
        names[name] = int(count)
    for row, value in enumerate(sexes if sexes is not None else ()):
        word = frames.text_of(value).strip().lower().replace("_", " ")
        if word not in SEXES:
            raise ValueError(f"row {row}, sex = {value!r}: write female, male, probable female, probable male or unknown")
        names[SEXES[word]] += 1
    return names
