"""Rows of samples and readings, daily summaries, and what is known of an instrument at every post."""
