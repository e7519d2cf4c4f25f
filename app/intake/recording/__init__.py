"""Samples that instruments post as JSON."""
