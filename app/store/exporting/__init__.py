"""Rows that leave the record in files or page by page."""
