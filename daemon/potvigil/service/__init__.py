"""Where drivers, watch, record and outputs meet."""
