"""Instruments looked at as instruments: whether they are heard, and what their readings say about themselves. Not:
keys and registration (registering)."""
