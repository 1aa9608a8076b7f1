"""The report of a survey: one HTML page that works offline, on paper and read aloud."""

from netcorr.export.report.page import ReportSummary, write_report

__all__ = ["ReportSummary", "write_report"]
