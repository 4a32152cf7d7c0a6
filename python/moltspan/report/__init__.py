"""The report on one page."""
