"""What a test, or many batches, show about a pot."""
