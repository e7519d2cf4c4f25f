"""``/api``: what programs call, as JSON with problem details."""
