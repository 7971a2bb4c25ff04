"""The report of a job on paper: what is on it (pure), its pictures (pure), the page, and the files."""

from capture.report.writing import ReportError, Written, gather, write_report

__all__ = ["ReportError", "Written", "gather", "write_report"]
