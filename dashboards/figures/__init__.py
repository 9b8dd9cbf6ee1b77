"""Plotly figures as plain data. Pure: frames in, a dict out that Plotly draws as it is."""

from dashboards.figures.alert import alert_figure
from dashboards.figures.layout import Edge, FigureDict, in_zone
from dashboards.figures.pressure import pressure_figure
from dashboards.figures.readings import readings_figure
from dashboards.figures.reliability import reliability_figure

__all__ = [
    "Edge",
    "FigureDict",
    "alert_figure",
    "in_zone",
    "pressure_figure",
    "readings_figure",
    "reliability_figure",
]
