"""Many records in one database: what the shipper of each machine brings there, and what is read of all."""
