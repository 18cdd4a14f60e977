"""Many records in one database: how each machine ships its own, and how all are read."""
