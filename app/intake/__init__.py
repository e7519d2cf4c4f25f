"""What comes from outside, read strictly into the words of the domain. Beside the packages stand what all doors share:
numbers, texts, units, times, bounds of what is possible."""
