"""What the record is asked: lists of batches, details that somebody gives, commands and their answers."""
