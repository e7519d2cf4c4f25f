"""Schema revisions, applied by ``ullage db upgrade`` (see app/store/keeping/migrate.py)."""
