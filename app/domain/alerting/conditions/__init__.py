"""The alert conditions, a file each, and :data:`CONDITIONS`, the registry: all that lists conditions reads it."""
