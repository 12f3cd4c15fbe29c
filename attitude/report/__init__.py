"""The page that a person opens after a shoot: what it is made from, its plots, its advice, its writing."""

from attitude.report.material import Material, picture_of
from attitude.report.page import REPORT_FILES, write_report
from attitude.report.plots import PLOTS_OF_FOOTAGE, PLOTS_OF_RIG, get_ready, plots_begun

__all__ = ["PLOTS_OF_FOOTAGE", "PLOTS_OF_RIG", "REPORT_FILES"]
__all__ += ["Material", "get_ready", "picture_of", "plots_begun", "write_report"]
