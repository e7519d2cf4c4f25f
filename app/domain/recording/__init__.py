"""What comes in, as data: a post as columns, a day in short, clocks to doubt, spells of maintenance."""
