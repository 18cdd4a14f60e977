"""What was recorded elsewhere, read as samples."""
