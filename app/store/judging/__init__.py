"""Assessments in and out, and the history that the engine is given."""
