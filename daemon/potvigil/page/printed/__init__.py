"""What a page shows to be printed: reports of batches and health charts of pots."""
