"""What became of every cell of the sheets that are taken in."""

from moltspan.records.import_cells import cell_name, text_of


class Ledger:
    """Each filled cell once: where it went, or that it found no place and why. Places are (sheet, row, column)."""

    def __init__(self, sheets):
        self.cells = {(sheet.name, row, column): value for sheet in sheets for row, values in enumerate(sheet.rows)
                      for column, value in enumerate(values) if value is not None}
        self.fates = {}
        self.not_placed = []
        self.assumptions = {}

    def used(self, place, fate):
        """The cell went there."""
        if place in self.cells:
            self.fates.setdefault(place, fate)

    def unplaced(self, place, why):
        """The cell found no place; it is kept in the list of these."""
        if place in self.cells and place not in self.fates:
            self.fates[place] = "not placed"
            self.not_placed.append({"sheet": place[0], "cell": cell_name(place[1], place[2]), "text": text_of(self.cells[place]), "why": why})

    def refused(self, place, why):
        """The cell had found a place, which its fault takes from it."""
        self.fates.pop(place, None)
        self.unplaced(place, why)

    def assume(self, what):
        """Something that the table does not say, told once with how often it was taken."""
        self.assumptions[what] = self.assumptions.get(what, 0) + 1

    def close(self):
        """Every cell that nothing was made of is listed too."""
        for place in self.cells:
            self.unplaced(place, "nothing here says what it belongs to")


def source_of(place, value):
    """`Room, D5: 3.4.24`: for the column `source` of a row."""
    sheet, row, column = place
    return (f"{sheet}, " if sheet else "") + f"{cell_name(row, column)}: {text_of(value)}"
