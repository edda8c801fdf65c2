"""Plots and the words that describe them: tables in, figures and sentences out.

Modules: style, pages, trials, trend_figures, trend_text, drag_figures, drag_text, investigate.
"""
