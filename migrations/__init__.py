"""Schema revisions, applied by ``ullage db upgrade`` (see app/store/migrate.py)."""
