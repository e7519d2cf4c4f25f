"""One sample's columns made into findings, numbers and sentences."""
