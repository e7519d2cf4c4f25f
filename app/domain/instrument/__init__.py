"""What the readings say about the instrument itself, apart from what they say about the transformer."""
