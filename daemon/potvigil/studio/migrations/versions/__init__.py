"""A revision a file; the number of each is the format of the studio's tables."""
