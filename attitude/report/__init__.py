"""The page that a person opens after a shoot: what it is made from, its plots, its advice, its writing."""

from attitude.report.material import Material, picture_of
from attitude.report.page import REPORT_FILES, write_report

__all__ = ["REPORT_FILES", "Material", "picture_of", "write_report"]
