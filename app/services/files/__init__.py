"""Laboratories' files: read by a profile, previewed, mapped by hand, imported, traced back. Not: files that go out
(exporting)."""
