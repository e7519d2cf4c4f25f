"""What is known of instruments: when they were heard, what was found about them."""
