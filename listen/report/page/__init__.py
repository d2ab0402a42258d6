"""The page of a check: one file that opens offline, prints to a sheet, and sounds."""

from listen.report.page.chart import Chart, Limit, Line, Mark
from listen.report.page.check_charts import check_charts
from listen.report.page.pages import check_page_bytes, write_check_page

__all__ = ["Chart", "Limit", "Line", "Mark", "check_charts", "check_page_bytes", "write_check_page"]
