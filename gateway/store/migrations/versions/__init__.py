"""One file per change of the tables, numbered in order."""
