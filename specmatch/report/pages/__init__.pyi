from specmatch.report.pages.line_pages import hold_tag as hold_tag
from specmatch.report.pages.line_pages import journal_page as journal_page
from specmatch.report.pages.line_pages import lot_sheet as lot_sheet
from specmatch.report.pages.model_page import model_page as model_page
from specmatch.report.pages.model_page import reading_page as reading_page
from specmatch.report.pages.set_page import set_page as set_page
from specmatch.report.pages.study_pages import commissioning_page as commissioning_page
from specmatch.report.pages.study_pages import gauge_page as gauge_page
from specmatch.report.pages.study_pages import plan_page as plan_page
from specmatch.report.pages.study_pages import validation_page as validation_page

__all__: list[str]
