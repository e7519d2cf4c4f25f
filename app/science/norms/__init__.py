"""Published limits of gases and what lies beyond them."""
