"""Laboratories' files as they came, how each was read, and the profiles that people made."""
