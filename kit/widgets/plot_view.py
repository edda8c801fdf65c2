"""A plot on the page, with its description and its data table for those who cannot or would rather not look.

A plain plotly figure is sent as data (some 10 kB); JupyterLab's own plotly extension draws it. plotly's FigureWidget
would send 5 MB of script for each.
"""

from __future__ import annotations

import json

import ipywidgets as widgets
import pandas as pd
import plotly.graph_objects as go

from ..figure_style import CONFIG, HEIGHT_PX
from .parts import Details

__all__ = ["PlotView"]

MIME = "application/vnd.plotly.v1+json"


class PlotView(widgets.VBox):
    """Shows one figure at a time.

    `show(figure, description, table)` replaces what is shown. The place keeps its height meanwhile, so that the page
    does not jump. `figure`, `description` and `table` are what is shown now.
    """

    def __init__(self, height_px: int = HEIGHT_PX, name: str = "this plot"):
        self.figure: go.Figure | None = None
        self.description, self.table = "", pd.DataFrame()
        self._height_px = height_px
        self._plot = widgets.Output(layout={"height": f"{height_px + 2}px", "overflow": "hidden"})
        self._details = Details(summary=f"Describe {name} and show its numbers")
        super().__init__([self._plot, self._details], layout={"width": "100%", "min_width": "0"})
        self.add_class("kit-plot")

    def show(self, figure: go.Figure, description: str, table: pd.DataFrame) -> None:
        """Show a figure, one or two sentences that say what it shows, and the numbers in it."""
        figure.update_layout(height=self._height_px)
        self.figure, self.description, self.table = figure, description, table
        bundle = json.loads(figure.to_json())
        self._plot.outputs = (
            {
                "output_type": "display_data",
                "data": {MIME: {**bundle, "config": CONFIG}, "text/plain": description},
                "metadata": {},
            },
        )
        self._details.show([description], table)
