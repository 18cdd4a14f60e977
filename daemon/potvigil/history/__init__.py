"""What the record says of a pot and its batches."""
