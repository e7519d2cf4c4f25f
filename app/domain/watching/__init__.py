"""The watch over an instrument's days: whether a unit leaves its own record, and the course of its on-line series.

What a look finds of the unit; what it finds of the instrument itself is in :mod:`app.domain.instruments`.
"""
