"""The types that every room speaks: no arithmetic, nothing is opened."""
