"""Upkeep of a record: archive, check, backup, thinning."""
