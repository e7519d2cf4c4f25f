"""The daily look at instruments' days: changes of a unit against its own record, and the course of on-line series."""
