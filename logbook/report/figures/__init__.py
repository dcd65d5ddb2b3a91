"""Figures for paper and pages: the curves of one nutrient, and all nutrients on one date."""

from __future__ import annotations

from logbook.report.figures.comparison import comparison_figure
from logbook.report.figures.curves import curve_figure

__all__ = ["comparison_figure", "curve_figure"]
