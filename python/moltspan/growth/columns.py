"""Columns of a table of sizes, as both ways to fit it take them."""

from moltspan._frames import frames


def left_side(size, response):
    """What a formula may have on its left, and what to do where it is another column."""
    return f"log({size})" if response == "log" else size, "name the column of sizes as size=... and leave the left side out"


def with_instar(columns, instar):
    """The columns, with `instar` as a second name of the column that holds it."""
    return columns if instar == "instar" or instar not in columns or "instar" in columns else columns | {"instar": columns[instar]}


def member_codes(name, known, columns, n_rows, new="population"):
    """Codes of the members named in a column, -1 for those that the fit does not know; with `new="error"` ValueError."""
    if name is None or name not in columns:
        if name is not None and new == "error":
            raise ValueError(f"the table has no column {name!r}; new_animal='population' predicts for new ones")
        return [-1] * n_rows
    codes = [known.get(frames.text_of(value), -1) for value in columns[name]]
    if new == "error" and -1 in codes:
        row = codes.index(-1)
        raise ValueError(f"row {row}, {name} = {frames.text_of(columns[name][row])!r}: the fit does not know it; new_animal='population' predicts "
                         "for a new one")
    return codes
