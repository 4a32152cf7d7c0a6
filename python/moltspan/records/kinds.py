"""What is shipped of groups and kinds of molting arthropods: `kinds()`."""

from moltspan import _core
from moltspan._frames.frames import frame_of

NUMBERS = ("stadium_days", "exponent", "growth_ratio", "adult_female", "adult_male", "instars_female", "instars_male", "last_instar",
           "premolt_share")


def kinds():
    """The shipped facts of groups and kinds, a row a number.

    Returns a frame: `kind` (a group, or a kind within it), `group`, `measure` (by which growth is told), `fact`, `value`, `log_sd` (of its
    logarithm, for a typical animal), `status` (a published source, common practice without a source, an assumption of ours, or from memory).
    `stadium_days` is the length of a stadium of an animal of `at_size` in `measure` (mm; mass in g) at `at_c`; `exponent` how log days grow with
    log size; `adult_*` sizes in `measure`; `instars_*` the number of the last instar before the adult or the pupa; `last_instar` how
    much longer that one takes than its size tells; `premolt_share` the share of a stadium from the last meal on. Facts that
    are not known have no row. Columns of `taxa.csv` or `animals.csv` replace them: `group`, `size_measure`, `adult_size_mm`, `growth_ratio`,
    `stadium_days` with `stadium_at_mm`, `premolt_share`, `after_maturity`.
    """
    rows = [row for facts in _core.shipped_kind_facts() for row in _rows(facts)]
    return frame_of({name: [row[name] for row in rows] for name in rows[0]})


def _rows(facts):
    head = {"kind": facts.name, "group": facts.group, "measure": facts.measure}
    for name in NUMBERS:
        number = getattr(facts, name)
        if number.known:
            days = name == "stadium_days"
            yield head | {"fact": name, "value": number.value, "log_sd": number.log_sd,
                          "at_size": facts.reference if days else None, "at_c": facts.stadium_c if days else None, "status": number.status}
