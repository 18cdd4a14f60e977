"""The plan before a pour."""
