"""One page for all: the pots, alarms and batches of every record that a studio has, to be read."""
