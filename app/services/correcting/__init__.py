"""A mistake put right by a person: edit, exclude, restore or move a sample, undo a file."""
