"""A rehearsal as layers, words and a record for machines."""
