"""Two checks side by side, aligned by pitch: what got better, what worse, which findings are gone or new."""

from listen.report.comparing.compared import compare_documents
from listen.report.comparing.document import compare_document, compare_schema
from listen.report.comparing.terminal import compare_page
from listen.report.comparing.types import ComparedFinding, ComparedRow, Comparison, FindingStatus, FixVerdict

__all__ = [
    "ComparedFinding",
    "ComparedRow",
    "Comparison",
    "FindingStatus",
    "FixVerdict",
    "compare_document",
    "compare_documents",
    "compare_page",
    "compare_schema",
]
