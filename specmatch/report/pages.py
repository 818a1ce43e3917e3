"""Report pages: each is one HTML file that needs no network, for a screen of any width, for paper and for the ear."""

from specmatch.report.page_line import journal_page
from specmatch.report.page_model import model_page, reading_page
from specmatch.report.page_set import set_page

__all__ = ["journal_page", "model_page", "reading_page", "set_page"]
