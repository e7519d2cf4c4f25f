"""Rows of sites, units, sources, contacts, keys, limits, service events and maintenance."""
