"""Output of findings: the page on the terminal, the JSON document, the frames table, the notebook's cell."""

from listen.report.document import check_document, check_schema, documents_text, tool_version, write_documents
from listen.report.files import check_target, write_whole
from listen.report.frames_csv import FRAME_COLUMNS, frames_csv, write_frames_csv
from listen.report.notebook import check_html
from listen.report.paper import Paper, paper_for, readable
from listen.report.progress import ProgressLine
from listen.report.terminal import check_page

__all__ = [
    "FRAME_COLUMNS",
    "Paper",
    "ProgressLine",
    "check_document",
    "check_html",
    "check_page",
    "check_schema",
    "check_target",
    "documents_text",
    "frames_csv",
    "paper_for",
    "readable",
    "tool_version",
    "write_documents",
    "write_frames_csv",
    "write_whole",
]
