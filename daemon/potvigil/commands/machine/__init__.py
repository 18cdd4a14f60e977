"""This machine: the state of its pots, checks, set-up, its service."""
