"""A pot that does not exist, behind the real drivers. Shares no formula with the core."""
