"""This machine: how its pots stand, whether all is as it must be, setting it up, its service."""
