"""Pages, each one HTML file that needs no network; figures need matplotlib (extra `plot`), or `MissingExtraError`."""

# not loaded on first use: two names are those of the files that hold them

from specmatch.report.pages.line_pages import hold_tag, journal_page, lot_sheet
from specmatch.report.pages.model_page import model_page, reading_page
from specmatch.report.pages.set_page import set_page
from specmatch.report.pages.study_pages import commissioning_page, gauge_page, plan_page, validation_page

__all__ = [
    "commissioning_page",
    "gauge_page",
    "hold_tag",
    "journal_page",
    "lot_sheet",
    "model_page",
    "plan_page",
    "reading_page",
    "set_page",
    "validation_page",
]
