"""Result tables of the group analyses: immutable, with what was asked, and written as CSV and LaTeX."""

import math
from types import MappingProxyType

import numpy as np

from moltspan._frames import frames
from moltspan._frames.result import Health, Result, shown


def json_value(value):
    """A cell as JSON knows it: None where unknown or infinite."""
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value.item() if isinstance(value, np.generic) else value


class ResultTable(Result):
    """A table of results. Nothing in it can be changed; `frame()` gives a fresh data frame of the kind that came in."""

    _title = property(lambda self: self.caption)

    def __init__(self, caption, columns, kind="pandas", asked=None, facts=(), health=None, **more):
        super().__init__(caption=caption, _columns={name: list(values) for name, values in columns.items()}, _kind=kind,
                         asked=MappingProxyType(dict(asked or {})), facts=tuple(facts), health=health or Health("good", ()), **more)

    def __len__(self):
        return len(next(iter(self._columns.values()), []))

    def __getitem__(self, name):
        """A column as an array (numbers) or list (texts)."""
        values = self._columns[name]
        return np.array(values) if all(isinstance(value, (int, float, np.number)) for value in values) else list(values)

    @property
    def columns(self):
        return tuple(self._columns)

    def rows(self):
        """A dict a row, None where unknown: ready for JSON."""
        return [{name: json_value(values[i]) for name, values in self._columns.items()} for i in range(len(self))]

    def frame(self):
        """The table as a data frame."""
        return frames.frame_of({name: self[name] for name in self._columns}, self._kind)

    def _facts(self):
        return [*self.facts, ("health", str(self.health))]

    def _table(self):
        return self.columns, [[shown(values[i]) for values in self._columns.values()] for i in range(len(self))]

    def _numbers(self):
        return self._columns
