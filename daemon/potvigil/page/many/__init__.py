"""One page for the whole studio: the pots, alarms and batches of every record in its database."""
