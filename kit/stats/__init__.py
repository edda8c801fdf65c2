"""What many runs say together: averages, trends and their verdict, claims, planning.

Modules: averages, trend_models, least_squares, trend, trend_result, verdict, claims, shuffling, planning.
"""
