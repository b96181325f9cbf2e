"""Figures, the settings sheet, the HTML report, exporters."""
