"""What is kept: the only room that knows SQLite."""
