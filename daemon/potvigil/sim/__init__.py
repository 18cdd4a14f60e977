"""A simulated pot behind the real drivers. Shares no formula with the core."""
