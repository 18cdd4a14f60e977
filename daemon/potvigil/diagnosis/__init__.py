"""What a test, or many batches, tell of a pot."""
