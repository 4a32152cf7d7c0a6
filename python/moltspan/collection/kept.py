"""Kept forecasts: what was said on which day, and what came of it. `keep_forecast`, `kept_forecasts`, `KeptForecasts`."""

import csv
import io
import math
import tomllib
from contextlib import contextmanager
from datetime import date
from itertools import groupby
from pathlib import Path

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.files import replace_file
from moltspan._frames.result import Health, Result
from moltspan._frames.visible import spreadsheet_cell, write_csv
from moltspan.text.kept import FEW, HEADER, SHOWN, kept_row, share_lines

FILE = "forecasts_kept.csv"
LEVELS = (0.5, 0.8, 0.95)
DAYS = ("said_on", "records_up_to", "last_molt", "even_odds", *(f"{side}_{level * 100:g}" for level in LEVELS for side in ("from", "to")))
COLUMNS = (*DAYS[:2], "animal", *DAYS[2:])
MAY_BE_BLANK = ("last_molt",)
HELD = {"held": True, "early": False, "late": False, "overdue": False}  # all other outcomes do not tell


def keeps_forecasts(folder):
    """Whether `folder.toml` says `keep_forecasts = true`. ValueError where it cannot be read or says neither true nor false."""
    file = Path(folder) / "folder.toml"
    if not file.is_file():
        return False
    try:
        said = tomllib.loads(file.read_text(encoding="utf-8-sig")).get("keep_forecasts", False)
    except ValueError as trouble:
        raise ValueError(f"{file}: {trouble}") from None
    if not isinstance(said, bool):
        raise ValueError(f"{file}: keep_forecasts = {said!r}: write true or false, without quotes")
    return said


def keep_forecast(fit, folder, on=None):
    """Adds what the fit says on day `on` (default: its `as_of`) to `forecasts_kept.csv` in the folder, a row an animal with a forecast; returns how
    many rows were added.

    Rows that are there stay as they are, to the letter. The same said again on the same day is not added twice; something else said on the same day is
    added, and of one day, animal and last molt the last row counts. ValueError where the records go on after the fit's `as_of` (with hindsight
    nothing is kept: that is `backtest`); RuntimeError for a file that is not ours or cannot be read; OSError where it cannot be written.
    """
    import moltspan

    last = fit.collection.as_of
    if last is not None and fit.as_of < last:
        raise ValueError(f"keep_forecast: the records go on to {last}, the forecast uses those up to {fit.as_of}: what is said with hindsight is not "
                         "kept; see moltspan.backtest for looking back")
    folder = Path(folder)
    if not folder.is_dir():
        raise NotADirectoryError(f"{folder}: is no folder; forecasts are kept in the folder of the records")
    said = said_rows(moltspan.forecast_document(fit, LEVELS, on))
    with _locked(folder):
        return _append(folder / FILE, said)


def said_rows(document):
    """The document of a forecast as rows of the file."""
    rows = []
    for animal in document["animals"]:
        if animal["next_molt"]:
            days = {f"{side}_{band['level'] * 100:g}": band[side] for band in animal["next_molt"]["bands"] for side in ("from", "to")}
            rows.append({"said_on": document["on"], "records_up_to": document["as_of"], "animal": animal["animal"],
                         "last_molt": (animal["last_molt"] or {}).get("latest", ""), "even_odds": animal["next_molt"]["median"]} | days)
    return rows


@contextmanager
def _locked(folder):
    """Keeps another writer out from reading to writing, as the notes of a journal do; where a system has no such lock, both write in turn."""
    import os

    try:
        import fcntl
    except ImportError:
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _append(file, said):
    old, mark, columns = "", ",", list(COLUMNS)
    if file.exists():
        old = _text(file)
        mark, columns, rows = _cells(file, old)
        there = {tuple(row.get(name, "") for name in COLUMNS) for _, row in rows}
        said = [row for row in said if tuple(row[name] for name in COLUMNS) not in there]
    if not said:
        return 0
    out = io.StringIO()
    write_csv(out, columns, ([row.get(name, "") for name in columns] for row in said))
    head, new = out.getvalue().split("\n", 1)
    if mark != ",":
        new = _with_mark(new, mark)
    replace_file(file, (old if old.endswith("\n") else old + "\n") + new if old else f"{head}\n{new}")
    return len(said)


def _with_mark(text, mark):
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator="\n").writerows(csv.reader(io.StringIO(text)))
    return out.getvalue()


def _text(file):
    try:
        return file.read_bytes().decode("utf-8")
    except UnicodeDecodeError as trouble:
        raise RuntimeError(f"{file}: byte {trouble.start + 1} is not UTF-8; save it as CSV in UTF-8, or put back the copy you have") from None


def _cells(file, text):
    """(separator, columns, [(row as a spreadsheet counts, {column: text})]) of the file; one without our columns is a RuntimeError."""
    first = text.removeprefix("\ufeff").split("\n", 1)[0]
    mark = max(",;\t", key=first.count)
    try:
        lines = list(csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=mark))
    except csv.Error as trouble:
        raise RuntimeError(f"{file}: cannot be read as CSV ({trouble}); put back the copy you have, or move it away") from None
    columns = [name.strip() for name in lines[0]] if lines else []
    missing = [name for name in COLUMNS if name not in columns]
    if missing:
        raise RuntimeError(f"{file}: has no column {', '.join(missing)}; it is not as moltspan wrote it: put the headings back, or move the file "
                           "away so that a new one is begun")
    rows = [(number, dict(zip(columns, map(_as_typed, line), strict=False))) for number, line in enumerate(lines[1:], 2) if any(map(str.strip, line))]
    return mark, columns, rows


def _as_typed(cell):
    """Without the apostrophe that keeps a spreadsheet from working out a name."""
    return cell[1:] if cell.startswith("'") and spreadsheet_cell(cell[1:]) == cell else cell


def read_kept(folder):
    """(rows with days as dates, faults) of `forecasts_kept.csv`; a faulty row is left out and named. FileNotFoundError where nothing was kept."""
    file = Path(folder) / FILE
    if not file.is_file():
        raise FileNotFoundError(f"{file}: no such file: no forecast was kept here yet; moltspan forecast FOLDER --keep keeps today's, "
                                "keep_forecasts = true in folder.toml each")
    rows, faults = {}, []
    for number, cells in _cells(file, _text(file))[2]:
        row, found = _checked(number, cells)
        faults += found
        if not found:
            rows[row["said_on"], row["animal"], row["last_molt"]] = row  # the last word of a day counts
    return sorted(rows.values(), key=lambda row: (row["said_on"], row["animal"])), faults


def _checked(number, cells):
    row, faults = {"row": number, "animal": cells.get("animal", "").strip()}, []

    def fault(column, rule, step):
        faults.append({"severity": "fault", "file": FILE, "row": number, "animal": row["animal"], "column": column,
                       "value": cells.get(column, ""), "rule": rule, "next_step": step})

    if not row["animal"]:
        fault("animal", "the name of an animal", "put the name back, or remove the row")
    for name in DAYS:
        text = cells.get(name, "").strip()
        try:
            row[name] = None if not text and name in MAY_BE_BLANK else date.fromisoformat(text)
        except ValueError:
            fault(name, "a day as YYYY-MM-DD", "write it so (a spreadsheet may have changed it), or remove the row")
    if not faults:
        for later, sooner in (*((f"to_{level * 100:g}", f"from_{level * 100:g}") for level in LEVELS), ("said_on", "records_up_to")):
            if row[later] < row[sooner]:
                fault(later, f"a day not before {sooner}, {row[sooner]}", "put back what was written, or remove the row")
    return row, faults


def kept_forecasts(folder, collection=None, watched="all"):
    """What was said on which day (`forecasts_kept.csv`) beside what came, by the records as they are now: `KeptForecasts`.

    `collection`: the records of the folder where they were read already. `watched`: as in `fit`; with "all" an animal that has not molted by the last
    day of its watch was seen not to. FileNotFoundError where nothing was kept; RuntimeError for a file that is not as moltspan wrote it.
    """
    import moltspan

    rows, faults = read_kept(folder)
    collection = moltspan.read(folder) if collection is None else collection
    return KeptForecasts(collection, [_outcome(row, life) for row, life in _with_lives(rows, collection, watched)], faults, watched)


def _with_lives(rows, collection, watched):
    core = collection._core_collection
    table = collection._stadia_table(None, watched) if collection.as_of is not None else None
    lives = {animal.id: (animal, table.animals[i] if table else None) for i, animal in enumerate(core.animals)}
    return [(row, lives.get(row["animal"])) for row in rows]


def _outcome(row, life):
    """A forecast of the file with what came of it."""
    outcome, molt, until = _what_came(row, life)
    taxon = life[0].taxon if life else ""
    held = {level: _held(outcome, molt, until, row[f"from_{level * 100:g}"], row[f"to_{level * 100:g}"]) for level in LEVELS}
    if outcome in ("molted", "watched"):
        outcome = _word(outcome, molt, until, row)
    return {"row": row, "taxon": taxon, "outcome": outcome, "molt": molt, "until": until, "held": held}


def _what_came(row, life):
    """(what, days of the molt, last day watched): molted, watched (not molted), or why that cannot be told."""
    if life is None:
        return "not_here", None, None
    animal, history = life
    if animal.set_aside or history is None or not history.recorded:
        return "set_aside", None, None
    known, after = row["records_up_to"], None
    molts = [(frames.day_of(molt.earliest), frames.day_of(molt.latest)) for molt in history.molts]
    before = [latest for _, latest in molts if latest <= known]
    after = next((molt for molt in molts if molt[1] > known), None)
    until = frames.day_of(history.last_watched)
    if (max(before) if before else None) != row["last_molt"]:
        return "changed", None, until
    if after:
        return "molted", after, until
    return ("watched" if history.state == "alive" else history.state), None, until


def _held(outcome, molt, until, first, last):
    """Whether the range held: True, False, or None where that cannot be told."""
    if outcome == "molted":
        earliest, latest = molt
        return True if first <= earliest and latest <= last else False if latest < first or earliest > last else None
    over = until is not None and until > last and outcome in ("watched", "died", "left", "escaped")
    return False if over else None


def _word(outcome, molt, until, row):
    first, last = row["from_80"], row["to_80"]
    held = _held(outcome, molt, until, first, last)
    if outcome == "watched":
        return "overdue" if held is False else "running"
    return "range" if held is None else "held" if held else "early" if molt[1] < first else "late"


class KeptForecasts(Result):
    """Forecasts as they were said, with what came; nothing in it can be changed.

    A forecast counts once its range is over, whatever came: a molt in the middle of a range that still runs would else count before one that comes late.
    A molt known to a range of days held certainly, certainly did not, or cannot be told; nor can the ranges of animals that died or left before
    their end. Of several forecasts of one molt `shares` counts the first that was kept; those of all together have errors clustered by animal.
    """

    _title = "Kept forecasts"

    def __init__(self, collection, outcomes, faults, watched):
        super().__init__(collection=collection, _outcomes=tuple(outcomes), faults=tuple(faults), asked={"watched": watched})

    @property
    def forecasts(self):
        """A row a forecast: animal, said_on, even_odds, ranges, `outcome`, molt_earliest, molt_latest, `held_80` and `counted_80`."""
        rows = [_flat(one, self._counted(one, SHOWN)) for one in self._outcomes]
        names = list(rows[0]) if rows else ["animal"]
        return frames.frame_of({name: [row[name] for row in rows] for name in names}, self.collection._kind)

    @property
    def shares(self):
        """A row a level: `molts` whose range is over, how many the first forecast of each `held`, exact 95 % limits of that share in percent; the share of
        all such `forecasts`, with its standard error clustered by animal."""
        rows = [self._share(level) for level in LEVELS]
        return frames.frame_of({name: [row[name] for row in rows] for name in rows[0]}, self.collection._kind)

    @property
    def health(self):
        """How much the share says so far."""
        share = self._share(SHOWN)
        if share["molts"] == 0:
            return Health("warning", (("warning", "none_over", "no range of a kept forecast is over yet: there is nothing to count"),))
        if not share["lower"] <= 100 * SHOWN <= share["upper"]:
            side = "fewer" if share["upper"] < 100 * SHOWN else "more"
            return Health("bad", (("bad", "off", f"{side} molts fell into the 8 in 10 ranges than chance explains"),))
        few = share["molts"] < FEW
        return Health("warning", (("warning", "few", f"{share['molts']} molts tell next to nothing of the share"),)) if few else Health("good", ())

    def document(self):
        """A dict ready for JSON: `as_of`, `shares` by level, `forecasts` (all), `faults` of the file, `health`; None = unknown."""
        rows = [_flat(one, self._counted(one, SHOWN)) for one in self._outcomes]
        shares = [{name: None if isinstance(value, float) and math.isnan(value) else value for name, value in self._share(level).items()}
                  for level in LEVELS]
        return {"as_of": self.collection.as_of and self.collection.as_of.isoformat(), "shares": shares, "forecasts": rows,
                "faults": list(self.faults), "health": {"state": self.health.state, "notes": [text for _, _, text in self.health.notes]}}

    def firsts(self):
        """The first forecast that was kept of each molt, as `document` holds them."""
        return [_flat(one, self._counted(one, SHOWN)) for one in _firsts(self._outcomes)]

    def _counted(self, one, level):
        last = self.collection.as_of
        return one["held"][level] is not None and last is not None and last > one["row"][f"to_{level * 100:g}"]

    def _share(self, level):
        counted = [one for one in self._outcomes if self._counted(one, level)]
        firsts = [one for one in _firsts(self._outcomes) if self._counted(one, level)]
        held = sum(one["held"][level] for one in firsts)
        row = {"level": level, "molts": len(firsts), "held": held, "lower": math.nan, "upper": math.nan, "forecasts": len(counted),
               "held_percent": math.nan, "standard_error": math.nan}
        if firsts:
            exact = _core.sex_ratio(len(firsts) - held, held, 0, 0, 0, 0.5, 0.95).clopper_pearson  # exact limits of any share
            row |= {"lower": 100 * exact.lower, "upper": 100 * exact.upper}
        if counted:
            names = {one["row"]["animal"]: i for i, one in enumerate(counted)}
            mean = _core.clustered_mean([float(one["held"][level]) for one in counted], [names[one["row"]["animal"]] for one in counted])
            row |= {"held_percent": 100 * mean.mean, "standard_error": 100 * mean.clustered_standard_error}
        return row

    def _facts(self):
        return [("as of", f"{self.collection.as_of}; watched: {self.asked['watched']}"), *[("share", line) for line in share_lines(self.document())],
                ("health", str(self.health))]

    def _table(self):
        return HEADER, [kept_row(one) for one in self.firsts()]

    def _numbers(self):
        return frames.columns_of(self.forecasts)


def _firsts(outcomes):
    """The first forecast of each stadium."""
    by_molt = sorted(outcomes, key=lambda one: (one["row"]["animal"], one["row"]["last_molt"] or date.min, one["row"]["said_on"]))
    firsts = [next(same) for _, same in groupby(by_molt, key=lambda one: (one["row"]["animal"], one["row"]["last_molt"]))]
    return sorted(firsts, key=lambda one: (one["row"]["said_on"], one["row"]["animal"]))


def _flat(one, counted):
    row, molt = one["row"], one["molt"] or (None, None)
    said = {name: row[name] and row[name].isoformat() for name in DAYS}
    return {"animal": row["animal"], "taxon": one["taxon"] or None} | said | {
        "outcome": one["outcome"], "molt_earliest": molt[0] and molt[0].isoformat(), "molt_latest": molt[1] and molt[1].isoformat(),
        "watched_until": one["until"] and one["until"].isoformat(), "held_80": one["held"][SHOWN], "counted_80": counted}
