"""How far long work is: a bar on a terminal and in a notebook, nothing in pipes, numbers to a function that is given as `progress`.

Work inside work (a fit within a report) has no bar of its own: it names what is being done in the bar that is there, and moves it on when it ends.
`MOLTSPAN_PROGRESS=off` shows none.
"""

import os
import sys
from abc import ABC, abstractmethod
from contextlib import contextmanager
from contextvars import ContextVar, copy_context
from threading import Event, Thread
from time import monotonic
from typing import NamedTuple

PATIENCE_SECONDS = 0.7  # work shorter than this shows nothing
TICK_SECONDS = 0.5
BAR_WIDTH = 24


class Long(NamedTuple):
    """A public call that can take over two seconds: what it does in words, its share of the work around it, its own parts where it has any."""

    what: str
    share: int = 1
    total: int | None = None


REPORT = Long("writing the report", total=10)  # a fit, a look-back of eight more, plan and page
LONG = {
    "fit": Long("fitting all stadia"), "backtest": Long("looking back from past days", share=8), "report": REPORT, "growth_record": Long("writing the record"),
    "fit_stadia": Long("fitting stadia"), "fit_growth": Long("fitting growth"), "instar_mixture": Long("telling instars apart"),
    "InstarMixture.bootstrap_tests": Long("drawing samples anew"), "compare_stadia": Long("comparing groups"), "stadium_medians": Long("working out medians"),
    "stadium_npmle": Long("working out the curve"), "molt_incidence": Long("working out how stadia end"), "maturity": Long("working out maturity"),
    "instar_table": Long("making the table"), "stadium_effects": Long("comparing stadia"), "growth_effects": Long("comparing growth"),
    "temperature_effect": Long("comparing temperatures"), "growth_document": Long("working out growth"), "simulate_collection": Long("inventing records"),
    "simulate_stadia": Long("inventing stadia"), "plot_predictive_check": Long("drawing stadia anew"), "CollectionFit.rehouse": Long("working out the plan"),
    "CollectionFit.forecast": Long("working out the forecast"), "forecast_document": Long("working out the forecast"),
    "CollectionFit.trajectory": Long("drawing trajectories"), "CollectionFit.trajectories": Long("drawing trajectories"),
    "thermal_sum_fit": Long("fitting the curve"), "belehradek_fit": Long("fitting the curve"), "briere_fit": Long("fitting the curve"),
}
_around = ContextVar("moltspan_work", default=None)


class Work:
    """What is being done, how much of it is done, and the time it took so far."""

    def __init__(self, what, total, view, counts_itself=False):
        self.what, self.total, self.done, self.counts_itself, self._view = what, total, 0, counts_itself, view
        self._begun = self._stepped = monotonic()

    def step(self, done, what=None):
        """Says that `done` parts are done, and what is being done now."""
        if done != self.done:
            self._stepped = monotonic()
        self.done, self.what = done, what or self.what
        self._view.changed(self)

    def time_words(self, now=None):
        """`12 s so far, about 30 s left`: left by the time that the parts took that are done; nothing is promised before the first of them."""
        now = monotonic() if now is None else now
        said = f"{seconds_words(now - self._begun)} so far"
        if not self.total or not 0 < self.done < self.total:
            return said
        left = (self._stepped - self._begun) / self.done * self.total - (now - self._begun)
        return f"{said}, about {seconds_words(left)} left" if left >= 1 else f"{said}, nearly done or longer than thought"


def seconds_words(seconds):
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


@contextmanager
def working(what, progress=None, total=None, share=1, counts_itself=False):
    """Shows that `what` is being done; yields the `Work`, whose `step(done)` moves the bar where there are parts to count (`total`).

    `progress`: None shows a bar where a person looks on; False none; True says it on standard error in pipes too; a function is called with (done, all).
    `counts_itself`: work within it neither moves its bar nor renames it; else each moves it by its `share`.
    """
    around = _around.get()
    if around is not None and progress is None:
        with _within(around, what, share):
            yield Work(what, total, _Silent())
        return
    view = _view(progress)
    work = Work(what, total, view, counts_itself)
    mark = _around.set(work)
    view.begin(work)
    try:
        yield work
    finally:
        _around.reset(mark)
        view.end(work)


@contextmanager
def _within(around, what, share):
    """Names the work in the bar of that around it, and moves it on at the end."""
    if around.counts_itself:
        yield
        return
    before = around.what
    around.step(around.done, what)
    mark = _around.set(Work(what, None, _Silent(), counts_itself=True))  # what is deeper still says nothing
    try:
        yield
    finally:
        _around.reset(mark)
        around.step(min(around.done + share, around.total) if around.total else around.done, before)


def _view(progress):
    if callable(progress):
        return _Told(progress)
    if progress is False or os.environ.get("MOLTSPAN_PROGRESS", "").lower() in ("off", "0", "no"):
        return _Silent()
    if in_notebook():
        return _Notebook()
    if sys.stderr is not None and sys.stderr.isatty():
        return _Terminal()
    return _Lines() if progress else _Silent()


def in_notebook():
    """Whether the output is that of a notebook."""
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    return type(shell).__name__ == "ZMQInteractiveShell"


class _Silent:
    """Shows nothing."""

    def begin(self, work): ...

    def changed(self, work): ...

    def end(self, work): ...


class _Told(_Silent):
    """Tells a function; work without parts is one part."""

    def __init__(self, tell):
        self._tell, self._last = tell, None

    def _say(self, done, total):
        if (done, total) != self._last:
            self._last = (done, total)
            self._tell(done, total)

    def changed(self, work):
        if work.total:
            self._say(work.done, work.total)

    def end(self, work):
        if sys.exc_info()[0] is None:
            self._say(work.total or 1, work.total or 1)


class _Lines(_Silent):
    """A line on standard error, written over and over."""

    def changed(self, work):
        if work.total and (work.done == work.total or work.done % max(1, work.total // 50) == 0):
            print(f"\r{work.what}: {work.done} of {work.total}", end="\n" if work.done == work.total else "", file=sys.stderr, flush=True)


class _Ticking(_Silent, ABC):
    """Shows itself from a thread of its own once the work proves long; the work itself may be deep in compiled code."""

    def begin(self, work):
        self._over = Event()
        self._thread = Thread(target=copy_context().run, args=(self._run, work), daemon=True)
        self._thread.start()

    def _run(self, work):
        if self._over.wait(PATIENCE_SECONDS):
            return
        self.show(work)
        while not self._over.wait(TICK_SECONDS):
            self.tick(work)
        self.hide()

    def end(self, work):
        self._over.set()
        self._thread.join()

    @abstractmethod
    def show(self, work):
        """The first sight of it."""

    @abstractmethod
    def tick(self, work):
        """Every now and then while it runs."""

    @abstractmethod
    def hide(self):
        """Takes it away."""


class _Terminal(_Ticking):
    """A bar on standard error that is gone when the work is done; one that runs to and fro where no parts can be counted."""

    def show(self, work):
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self._bar = Progress(TextColumn("{task.description}", markup=False), BarColumn(BAR_WIDTH), TextColumn("{task.fields[time]}", markup=False),
                             console=Console(stderr=True), transient=True)
        self._task = self._bar.add_task(work.what, total=work.total, completed=work.done, time=work.time_words())
        self._bar.start()

    def tick(self, work):
        self._bar.update(self._task, description=work.what, completed=work.done, time=work.time_words())

    def hide(self):
        self._bar.stop()


class _Notebook(_Ticking):
    """A bar in the cell that is gone when the work is done."""

    def show(self, work):
        from IPython.display import HTML, display

        self._html = HTML
        self._place = display(HTML(notebook_html(work)), display_id=True)

    def tick(self, work):
        self._place.update(self._html(notebook_html(work)))

    def hide(self):
        self._place.update(self._html(""))


def notebook_html(work):
    from moltspan._frames.visible import html as escape

    measure = f' max="{work.total}" value="{work.done}"' if work.total else ""
    return f"<div>{escape(work.what)} <progress{measure}></progress> {escape(work.time_words())}</div>"
