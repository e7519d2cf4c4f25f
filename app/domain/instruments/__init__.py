"""Instruments as instruments: silence, faults that their readings show, agreement with the laboratory."""
