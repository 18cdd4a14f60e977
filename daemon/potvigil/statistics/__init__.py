"""Statistics that know nothing of a pot."""
