"""The verbs about a pot: before a pour, for a test, and over its batches."""
