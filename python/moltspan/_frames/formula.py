"""Formulas of covariates: `1 + log_size + temperature_c*sex + log(mass) + day**2 - 1`, nothing centred or scaled.

Terms: a column name; `log(name)`, `sqrt(name)`, `exp(name)`; `name**k` (k a whole number); products `a:b`; `a*b` = `a + b + a:b`;
`1` the intercept (there unless `- 1` or `0` stands in it). A column of texts or truth values is a factor: one 0/1 column a level, named
`sex[male]`, the first level in sorted order being the base; without an intercept the first factor keeps all its levels. A product needs
what its factors' bases are measured against: `a:b` with words in `a` needs `b`. A left side (`log(x) ~ 1 + sex`) is taken where it names
what is fitted. All else (a missing or unreadable value, an unknown column or term, another left side) raises ValueError that names it.
"""

import re

import numpy as np

FUNCTIONS = {"log": np.log, "sqrt": np.sqrt, "exp": np.exp}
_CALL = re.compile(r"^(\w+)\((.+)\)$")
_POWER = re.compile(r"^(.+?)\*\*(\d+)$")


class Design:
    """A formula bound to the levels of the table it was first used on, so that predictions code factors alike.

    `response`: what is fitted, as a left side may name it; `instead`: what to do where another one is wanted.
    """

    def __init__(self, formula, columns, response=None, instead=""):
        self.formula = formula
        self.terms, self.intercept = _parse(_right_side(formula, response, instead))
        self._levels = {}
        for term in self.terms:
            for factor in term:
                self._note_levels(_column_name(factor), columns)
        for term in self.terms:
            self._check_margins(term)

    def _check_margins(self, term):
        """A factor in a product is coded from its base on, which is the usual model only where the rest of the product stands alone too."""
        there = {frozenset(one) for one in self.terms}
        for factor in term:
            rest = [other for other in term if other != factor]
            if rest and factor in self._levels and frozenset(rest) not in there:
                raise ValueError(f"formula {self.formula!r}: {':'.join(term)} stands there without {':'.join(rest)}, against which the levels of "
                                 f"{factor} would be measured; write {'*'.join(term)} (all of them and their product)")

    def _note_levels(self, name, columns):
        if name not in columns:
            raise ValueError(f"formula: there is no column {name!r}; the table has {', '.join(map(str, columns))}")
        if name not in self._levels and _is_factor(columns[name]):
            _refuse_mixed(name, columns[name])
            self._levels[name] = sorted({_level(value, name, row) for row, value in enumerate(columns[name])})

    def matrix(self, columns, n_rows):
        """(names, rows x coefficients) for a table given as name -> values."""
        names, parts = (["Intercept"], [np.ones(n_rows)]) if self.intercept else ([], [])
        full = not self.intercept  # whether the next lone factor keeps its first level
        for term in self.terms:
            keep_base = full and len(term) == 1 and _column_name(term[0]) in self._levels
            full = full and not keep_base
            for name, values in self._product(term, columns, keep_base):
                names.append(name)
                parts.append(values)
        if not parts:
            raise ValueError(f"formula {self.formula!r}: it has no term; write 1 for an intercept alone")
        return names, np.column_stack(parts)

    def _product(self, term, columns, keep_base):
        result = [("", None)]
        for factor in term:
            coded = self._coded(factor, columns, keep_base)
            result = [(f"{left}:{name}" if left else name, values if before is None else before * values)
                      for left, before in result for name, values in coded]
        return result

    def _coded(self, factor, columns, keep_base):
        name = _column_name(factor)
        if name not in columns:
            raise ValueError(f"formula: there is no column {name!r} in this table")
        if name not in self._levels:
            return [(factor, _numbers(factor, name, columns[name]))]
        levels = self._levels[name]
        if factor != name:
            raise ValueError(f"formula: {factor} needs numbers, but the column {name} holds words")
        given = [_level(value, name, row) for row, value in enumerate(columns[name])]
        for row, value in enumerate(given):
            if value not in levels:
                raise ValueError(f"row {row}, {name} = {value!r}: the fit knows only {', '.join(levels)}")
        return [(f"{name}[{level}]", np.array([float(value == level) for value in given]))
                for level in (levels if keep_base else levels[1:])]


def _right_side(formula, response, instead):
    """The formula without its left side, which must be what is fitted."""
    left, tilde, right = str(formula).rpartition("~")
    given, fitted = (re.sub(r"[\s()]", "", str(side or "")) for side in (left, response))
    if not tilde or given in ("", fitted):
        return right
    if fitted == "":
        raise ValueError(f"formula {formula!r}: {left.strip()!r} on the left is not taken here; write {right.strip()!r}")
    raise ValueError(f"formula {formula!r}: what is fitted is {response}, not {left.strip()}; {instead or 'leave the left side out'}")


def _parse(formula):
    text = str(formula).strip()
    terms, intercept = [], True
    parts = re.findall(r"([+-]?)\s*((?:[^+\-()]|\([^()]*\))+)", text)
    if sum(text.count(mark) for mark in "()") != sum(body.count(mark) for _, body in parts for mark in "()"):
        raise ValueError(f"formula {formula!r}: a parenthesis has no partner or stands where none can be read")
    for sign, body in parts:
        body = body.strip()
        if not body:
            continue
        if body in ("0", "1"):
            intercept = (body == "1") != (sign == "-")
        elif sign == "-":
            raise ValueError(f"formula {formula!r}: only '- 1' can be taken away")
        else:
            terms += [term for term in _expand(body, formula) if set(term) not in map(set, terms)]
    return terms, intercept


def _expand(body, formula):
    guarded = body.replace("**", "\0")
    if "*" in guarded:
        left, right = (_expand(part.replace("\0", "**").strip(), formula) for part in guarded.split("*", 1))
        return left + right + [a + b for a in left for b in right]
    term = [part.strip() for part in body.split(":")]
    for factor in term:
        if not re.fullmatch(r"\w+", _column_name(factor)):
            raise ValueError(f"formula {formula!r}: cannot read {factor!r}; see moltspan._frames.formula for what may be written")
    return [term]


def _column_name(factor):
    power = _POWER.match(factor)
    if power:
        factor = power.group(1)
    call = _CALL.match(factor)
    return call.group(2).strip() if call else factor


def _is_factor(values):
    if isinstance(values, np.ndarray) and values.dtype.kind in "iuf":
        return False
    return any(isinstance(value, (str, bool, np.bool_)) for value in values)


def _refuse_mixed(name, values):
    """A column of numbers with a word among them is no factor but a slip."""
    words = [row for row, value in enumerate(values) if isinstance(value, str) and value != ""]
    for row in words if any(isinstance(value, (int, float)) and not isinstance(value, bool) and value == value for value in values) else ():
        raise ValueError(f"row {row}, {name} = {values[row]!r} stands among numbers: mend it, or write the others as words too")


def _level(value, name, row):
    if value is None or value != value or value == "":
        raise ValueError(f"row {row}, {name} is blank: fill it in or leave the row out")
    return str(value)


def _numbers(factor, name, values):
    power = _POWER.match(factor)
    call = _CALL.match(power.group(1) if power else factor)
    if call and call.group(1) not in FUNCTIONS:
        raise ValueError(f"formula: there is no function {call.group(1)!r}; there are {', '.join(FUNCTIONS)}")
    numbers = np.asarray(values, dtype=float) if isinstance(values, np.ndarray) else \
        np.array([np.nan if value is None else float(value) for value in values])
    with np.errstate(all="ignore"):
        result = FUNCTIONS[call.group(1)](numbers) if call else numbers
        result = result ** int(power.group(2)) if power else result
    for row in np.flatnonzero(~np.isfinite(result)):
        held = values[row].item() if isinstance(values[row], np.generic) else values[row]
        raise ValueError(f"row {row}, {factor} is not a number (the table holds {held!r}): fill it in or leave the row out")
    return result
