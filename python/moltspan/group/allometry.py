"""Allometry: lines log y = intercept + slope log x by group, and whether the groups share their slope."""

from moltspan import _core
from moltspan._frames import frames
from moltspan.group.table import ResultTable
from moltspan.stadia.intervals import choice
from moltspan._frames.result import Health, design_fact


def allometry_fit(table, y, x, by=None, line="sma", level=0.95, against=1.0, assigned=False):
    """Fits log y = intercept + slope log x (natural logarithms) for each group of the column `by`.

    `y`, `x`: names of columns of positive sizes; rows with a blank in either (or in `by`) are left out and counted.
    `line="sma"`: standardised major axis, for the slope itself; "ols": least squares, for predicting y from x.
    `against`: the slope that each is tested against (1: isometry of two lengths; 3: a mass on a length). With two groups or more
    `.shared_slope` and `.p_shared` say whether they share one (Warton et al. 2006, Biological Reviews 81:259). Rows are taken to
    be different animals: several of one animal make the intervals too narrow. `assigned` as in `stadium_effects`.
    """
    choice("line", line, ("ols", "sma"))
    xs, ys, groups, labels, left_out = _complete_rows(table, x, y, by)
    core = _core.allometry_fit(xs, ys, groups, getattr(_core.LineMethod, line), level, against)
    asked = {"y": y, "x": x, "by": by, "line": line, "level": level, "against": against, "assigned": assigned}
    return AllometryFit(core, labels, asked, left_out, frames.kind_of(table))


class AllometryFit(ResultTable):
    """A row a group: slope and intercept with intervals, R^2, and the test of the slope; the shared slope among `.facts`."""

    def __init__(self, core, labels, asked, left_out, kind):
        lines = core.lines
        columns = {asked["by"] or "group": [labels[line.group] for line in lines], "n": [line.n for line in lines]}
        for name in ("slope", "intercept"):
            for end, column in (("estimate", name), ("lower", f"{name}_lower"), ("upper", f"{name}_upper")):
                columns[column] = [getattr(getattr(line, name), end) for line in lines]
        columns |= {"r_squared": [line.r_squared for line in lines], "sigma": [line.sigma for line in lines],
                    f"p_slope_{asked['against']:g}": [line.p_isometry for line in lines]}
        super().__init__(f"log {asked['y']} on log {asked['x']}", columns, kind, asked, _facts(core, asked, left_out),
                         Health.of(core.health), _core=core)

    shared_slope = property(lambda self: _interval(self._core.common_slope), doc="(estimate, lower, upper).")
    p_shared = property(lambda self: self._core.p_common, doc="p value of equal slopes; NaN with one group.")
    statistic = property(lambda self: self._core.statistic)


def _interval(interval):
    return interval.estimate, interval.lower, interval.upper


def _facts(core, asked, left_out):
    method = {"ols": "least squares", "sma": "standardised major axis"}[asked["line"]]
    facts = [("lines", f"{method}, {asked['level'] * 100:g} % intervals" + (f"; {left_out} rows with blanks left out" if left_out else ""))]
    if core.statistic_df:
        estimate, lower, upper = _interval(core.common_slope)
        kind = f"F({core.statistic_df}, {core.residual_df:g})" if asked["line"] == "ols" else f"likelihood ratio ({core.statistic_df} df)"
        facts.append(("shared slope", f"{estimate:.4g} ({lower:.4g}, {upper:.4g}); equal slopes: {kind} {core.statistic:.4g}, p {core.p_common:.3g}"))
        facts.append(design_fact(asked["assigned"]))
    return facts


def _complete_rows(table, x, y, by):
    columns = frames.columns_of(table)
    for argument, name in (("x", x), ("y", y), ("by", by)):
        if name is not None and name not in columns:
            raise ValueError(f"{argument}={name!r}: the table has no such column; it has {', '.join(columns)}")
    n_rows = len(columns[x])
    texts = [frames.text_of(value) for value in columns[by]] if by else ["all"] * n_rows
    xs, ys = (frames.checked_numbers(columns[name], f"allometry_fit: {name}") for name in (x, y))
    kept = [i for i in range(n_rows) if xs[i] == xs[i] and ys[i] == ys[i] and texts[i] != ""]
    labels = sorted({texts[i] for i in kept})
    return xs[kept].tolist(), ys[kept].tolist(), [labels.index(texts[i]) for i in kept], labels, n_rows - len(kept)
