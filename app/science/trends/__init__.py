"""Rates, trends, changes and forecasts of a series, also with readings below a limit."""
