"""Laboratories' files: cells, profiles, rows. One YAML profile a laboratory in ``profiles/``."""
