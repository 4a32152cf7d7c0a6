"""One page with all that a collection's records say today: `report`."""

from moltspan._frames.files import replace_file
from moltspan.report.documents import own_notes, report_documents
from moltspan.report.page import page_html


def report(collection_or_fit, out=None, *, as_of=None, watched="all", remark=None, on=None, look_back="recent", folder=None):
    """The report as one HTML page that needs nothing else: no network, no further file; its script only filters, sorts and folds.

    It holds what to do today in five lines, the week ahead, the calendar of molts, the feeding round, the rehousing plan, a passage an animal, faults
    and doubts in the records, how good the forecasts were so far, and assumptions. Every number is taken from `forecast_document`, the plan's and the
    backtest's documents. `collection_or_fit`: a `Collection`, which is fitted with `as_of` and `watched` (see `fit`), or a `CollectionFit`, which
    has its own and takes neither (ValueError). `on`: the day of the page, `as_of` or later (default: `as_of`). `out`: a file to write it to as well. `remark`: words to carry in its title.
    `look_back`: past forecasts to score, "all" of them, "none", or "recent": two days of the last year, and none of more than 30 animals.
    `folder`: where forecasts were kept (`keep_forecast`), to tell what became of them.
    """
    fit = _fit_of(collection_or_fit, as_of, watched)
    text = page_html(report_documents(fit, remark, on, look_back, folder), own_notes(fit.collection))
    if out is not None:
        replace_file(out, text)
    return text


def _fit_of(collection_or_fit, as_of, watched):
    import moltspan

    if isinstance(collection_or_fit, moltspan.Collection):
        return moltspan.fit(collection_or_fit, as_of=as_of, watched=watched)
    if not isinstance(collection_or_fit, moltspan.CollectionFit):
        raise TypeError(f"report: {type(collection_or_fit).__name__}: give a Collection or a CollectionFit")
    if as_of is not None or watched != "all":
        raise ValueError("report: a fit has its own as_of and watched; give them to moltspan.fit, or give report the collection")
    return collection_or_fit
